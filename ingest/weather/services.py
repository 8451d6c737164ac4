"""The weather services by name: where they can be asked, how often, and what they answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

import pandas as pd

from ingest.errors import InputError
from ingest.sources import WeatherServiceSource
from ingest.weather import cams, era5, nasa_power
from ingest.weather.answer import Weather, weather_of
from ingest.weather.asking import Days, Spot, Wish, cell_of
from ingest.weather.carrier import Carrier
from ingest.weather.question import Question


@dataclass(frozen=True, slots=True)
class Service:
    """What has to be known of a service before it is asked.

    `grids`: see `cell_of`. `delay_days`: the last day that it has lies at least so long back. `most_an_hour`: requests
    that it may get from one fleet. `patience_s`: how long an answer may take in all.
    """

    grids: tuple[tuple[float, float, float], ...]
    delay_days: int
    most_an_hour: int
    patience_s: float
    home: str
    fetch: Callable[[Question, Carrier], pd.DataFrame]
    check: Callable[[bytes], str]


SERVICES: Mapping[str, Service] = {
    # Irradiance of 1 degree, and weather of 0.5 by 0.625 degrees around the grid's points. A week behind.
    "nasa_power": Service(
        grids=((1.0, 1.0, 0.0), (0.5, 0.625, 0.5)), delay_days=1, most_an_hour=30, patience_s=300.0,
        home=nasa_power.HOME, fetch=nasa_power.fetch, check=nasa_power.check,
    ),
    # Satellite pixels of some kilometres; 100 requests a day are allowed to an account. Two days behind.
    "cams": Service(
        grids=((0.1, 0.1, 0.5),), delay_days=2, most_an_hour=4, patience_s=300.0,
        home=cams.HOME, fetch=cams.fetch, check=cams.check,
    ),
    # Grid of 0.25 degrees; requests wait in a queue there. Five days behind, and a day's last
    # hour bears the date of the next.
    "era5": Service(
        grids=((0.25, 0.25, 0.5),), delay_days=6, most_an_hour=10, patience_s=900.0,
        home=era5.HOME, fetch=era5.fetch, check=era5.check,
    ),
}  # fmt: skip


def address_of(source: WeatherServiceSource) -> str:
    """Where a source's service is asked."""
    return source.url or SERVICES[source.service].home


def name_of(source: WeatherServiceSource) -> str:
    """A service for a person: its name, and where it is asked if that is not its own place."""
    return f"{source.service} at {urlsplit(source.url).netloc}" if source.url else source.service


def wish_of(source: WeatherServiceSource, earliest: int) -> Wish:
    """How far back a source reaches, for a site whose first UTC day is `earliest`."""
    return Wish(source.history_days, source.again_days, earliest)


def cell_of_source(source: WeatherServiceSource, spot: Spot) -> tuple[int, ...]:
    """The cell of its service's grids in which a place lies."""
    return cell_of(spot, SERVICES[source.service].grids)


def ask_service(source: WeatherServiceSource, spot: Spot, days: Days, key: str) -> Weather:
    """Ask a service for the weather of some days.

    InputError when it has no answer that can be used, ServiceBusy when it has none for anybody now. No error holds
    the key.
    """
    service, name = SERVICES[source.service], name_of(source)
    carrier = Carrier(name, timeout_s=source.timeout_s, within_s=service.patience_s, secret=key, check=service.check)
    question = Question(name, spot, days, address_of(source), source.interval_minutes, key)
    try:
        frame = service.fetch(question, carrier)
        return weather_of(name, frame, step_min=source.interval_minutes, days=days)
    except InputError:
        raise
    except Exception as error:  # whatever a form that nobody expected makes of the reading of it
        raise InputError(name, f"the answer has another form than expected ({type(error).__name__})") from error
