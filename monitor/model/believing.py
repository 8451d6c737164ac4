"""How far a site's own sensor and weather series are believed tonight, by what earlier nights saw of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.sources import points_of
from monitor.config.models import Site
from monitor.model.gain import Gains
from monitor.model.history import SiteHistory
from monitor.model.ladder import Rung
from monitor.model.physics import Physics
from monitor.model.sensor_check import SensorTrust, believed, sensor_trust
from monitor.model.weather_trust import WeatherTrust, levelled, weather_trust


@dataclass(frozen=True, slots=True)
class Belief:
    """Trust in the weather series and in the plane sensor; of what a site does not have it says nothing."""

    weather: WeatherTrust = WeatherTrust()
    sensor: SensorTrust = SensorTrust()


def belief(site: Site, rungs: Sequence[Rung], history: SiteHistory, gains: Mapping[str, Gains]) -> Belief:
    """What the nights that `history` remembers say about the series behind some rungs."""
    names = {rung.name for rung in rungs}
    if not names:
        return Belief()
    nights = history.nights("site")
    return Belief(
        weather_trust(nights) if "weather" in names else WeatherTrust(),
        sensor_trust(nights, gains.values(), site.plane[0].id) if "sensor" in names else SensorTrust(),
    )


def believe(rungs: Sequence[Rung], physics: Physics, trust: Belief) -> tuple[Rung, ...]:
    """The rungs as far as they can be believed; a doubted sensor is left out."""
    found = [
        believed(rung, physics, trust.sensor) if rung.name == "sensor" else levelled(rung, physics, trust.weather)
        for rung in rungs
    ]
    return tuple(rung for rung in found if rung is not None)


def series_remarks(site: Site, history: SiteHistory, gains: Mapping[str, Gains]) -> list[str]:
    """What is to be said of a site's own sensor and weather series, in sentences; nothing of what it does not have."""
    nights = history.nights("site")
    quantities = {p.quantity for source in site.source for p in points_of(source) if p.of == "site"}
    remarks = []
    if "irradiance_poa" in quantities:
        remarks.append(sensor_trust(nights, gains.values(), site.plane[0].id).remark)
    if "irradiance_ghi" in quantities or site.services:
        remarks.append(weather_trust(nights).remark)
    return [remark for remark in remarks if remark]
