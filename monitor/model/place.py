"""Where a roof lies by the sun: the middle of its days tells the longitude, their length over the year the latitude."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Seconds, Values
from monitor.model.middle import median

MINUTES_PER_DEGREE = 4.0
_LEAST_DAYS, _BLOCK_DAYS, _LEAST_BLOCKS = 45, 10, 5
# The length of the day has to turn by so much a degree of latitude over the record [minutes].
_LEAST_TURN = 2.5
_TILT_OF_EARTH_DEG, _MIDSUMMER = 23.44, 172.0
_MOST_COSINE = 0.95


@dataclass(frozen=True, slots=True)
class PlaceBySun:
    """How the days of a roof lie to those of the place on paper.

    `late_min`: how late their middle is [minutes]. `north_deg`: by how much farther north days turn with the year as
    they do here [degrees]; None before the season has moved. Models and low light bias it alike on all roofs.
    """

    late_min: float
    north_deg: float | None
    days: int


def place_by_sun(days: Seconds, first_s: Values, last_s: Values, *, latitude: float) -> PlaceBySun | None:
    """Hold first and last power of many days against the place on paper.

    Parameters
    ----------
    days : array of shape (N,)
        Day ordinals.
    first_s, last_s : array of shape (N,)
        First and last power of each day after the modelled ones [s], positive when late.
    latitude : float
        Of the place on paper [deg].

    Returns
    -------
    PlaceBySun or None
        None with fewer than 45 days.

    Notes
    -----
    Half a day's length is the hour angle of sunset, cos H = -tan(latitude) tan(declination); its derivative by latitude
    is the yardstick (common formulas of sphere and sun). Blocks of ten days count by their medians, so that dull days
    do not pull.
    """
    if days.size < _LEAST_DAYS:
        return None
    late = median((first_s + last_s) / 2.0) / 60.0
    half, turn = (last_s - first_s) / 120.0, minutes_per_degree_north(days, latitude)
    edges = np.arange(_BLOCK_DAYS, days.size - _BLOCK_DAYS + 1, _BLOCK_DAYS)
    blocks = list(zip(np.split(turn, edges), np.split(half, edges), strict=True))
    x, y = (np.array([median(part) for part in parts]) for parts in zip(*blocks, strict=True))
    if x.size < _LEAST_BLOCKS or float(np.ptp(x)) < _LEAST_TURN:
        return PlaceBySun(late, None, int(days.size))
    return PlaceBySun(late, float(np.polyfit(x, y, 1)[0]), int(days.size))


def minutes_per_degree_north(days: Seconds, latitude: float) -> Values:
    """By how many minutes the sun sets later one degree farther north, for each day (ordinals), negative in winter."""
    of_year = np.array([np.datetime64("0000-12-31") + int(day) for day in days]).astype("datetime64[D]")
    number = (of_year - of_year.astype("datetime64[Y]")).astype(np.int64)
    declination = np.radians(_TILT_OF_EARTH_DEG * np.cos(2.0 * np.pi * (number - _MIDSUMMER) / 365.25))
    phi = np.radians(latitude)
    cosine = np.clip(-np.tan(phi) * np.tan(declination), -_MOST_COSINE, _MOST_COSINE)
    return np.asarray(
        MINUTES_PER_DEGREE * np.tan(declination) / (np.cos(phi) ** 2 * np.sqrt(1.0 - cosine**2)), np.float64
    )
