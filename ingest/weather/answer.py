"""An answer as readings of a site: times that are what they say, values that can be, everything else a gap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ingest.errors import InputError
from ingest.quantities import QUANTITIES, UNITS
from ingest.readings import Channel, Seconds, Table, Values
from ingest.weather.asking import DAY_S, Days, Spot

# pvlib's names, ours, and what a mean can be anywhere on earth.
_COLUMNS: Mapping[str, tuple[str, float, float]] = {
    "ghi": ("irradiance_ghi", -6.0, 1500.0),
    "dni": ("irradiance_dni", -6.0, 1500.0),
    "dhi": ("irradiance_dhi", -6.0, 1500.0),
    "temp_air": ("temperature_air", -90.0, 60.0),
    "wind_speed": ("wind_speed", 0.0, 110.0),
}
_UNITS = {unit.dimension: unit.name for unit in UNITS.values() if unit.factor == 1.0}
_NEAR_DEG = 1.0  # a service may answer for the middle of its cell


@dataclass(frozen=True, slots=True)
class Weather:
    """Readings of a place, stamped with the start of their interval, and how many values could not be true."""

    table: Table
    set_aside: int


def weather_of(name: str, frame: pd.DataFrame, *, step_min: int, days: Days) -> Weather:
    """Readings from a frame with pvlib's column names, whose index is the starts of its intervals.

    Raises InputError when the times are not those of a series with this step, or nothing tells of the sun.
    """
    if "ghi" not in frame.columns:
        raise InputError(name, "the answer holds no global irradiance")
    starts = _starts(name, frame, step_min)
    inside = (starts >= days.first * DAY_S) & (starts < (days.last + 1) * DAY_S)
    columns: dict[Channel, Values] = {}
    set_aside = 0
    for column, (quantity, lowest, highest) in _COLUMNS.items():
        if column in frame.columns:
            values, strange = _values(frame[column], lowest, highest)
            columns[Channel("site", quantity, "mean", _UNITS[QUANTITIES[quantity].dimension])] = values[inside]
            set_aside += int(np.count_nonzero(strange[inside]))
    return Weather(Table(starts[inside], columns), set_aside)


def check_place(name: str, spot: Spot, latitude: object, longitude: object) -> None:
    """Raise InputError when an answer tells of another place than was asked for."""
    for key, asked, given in (("latitude", spot.latitude, latitude), ("longitude", spot.longitude, longitude)):
        if not isinstance(given, int | float) or abs(given - asked) > _NEAR_DEG:
            raise InputError(name, f"the answer tells of {key} {given!r}; expected {asked:g}")


def _starts(name: str, frame: pd.DataFrame, step_min: int) -> Seconds:
    index = frame.index
    if not isinstance(index, pd.DatetimeIndex) or index.tz is None or index.hasnans:
        raise InputError(name, "the answer has rows without a time")
    starts = index.tz_convert("UTC").as_unit("s").asi8.astype(np.int64)
    if (starts % (step_min * 60) != 0).any():
        odd = index[np.flatnonzero(starts % (step_min * 60))[0]]
        raise InputError(name, f"the answer has the time {odd}; expected multiples of {step_min} minutes")
    if (np.diff(starts) <= 0).any():
        raise InputError(name, "the times of the answer do not increase from row to row")
    return starts


def _values(column: pd.Series, lowest: float, highest: float) -> tuple[Values, np.ndarray]:
    """Numbers that can be, and where something stood that is none of them."""
    numbers = pd.to_numeric(column, errors="coerce").to_numpy(np.float64, na_value=np.nan)
    possible = (numbers >= lowest) & (numbers <= highest)
    return np.where(possible, numbers, np.nan), column.notna().to_numpy() & ~possible
