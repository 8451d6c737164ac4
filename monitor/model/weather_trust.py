"""What earlier nights tell of a weather series: how late its times are, and what it makes of a clear sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.grid import STEP_S
from monitor.model.ladder import Rung
from monitor.model.numbers import Nights
from monitor.model.physics import Physics, at_index

# Classes of the sun's elevation [deg] and the names of their daily features; before a name `was:` is where
# the class stood while the site's gains were learned, `now:` where it was seen to stand last; both are carried on from
# night to night.
HEIGHTS = {"weather_low": (8.0, 20.0), "weather_mid": (20.0, 40.0), "weather_high": (40.0, 90.0)}
_WAS, _NOW = "was:", "now:"
_LEAST_CELLS = 4
_RECENT = 20  # clear days of a class that count, from what is remembered
_LEAST_DAYS = 5
_PRIOR_DAYS = 10.0  # a series that has not changed counts as so many clear days
_LOWEST, _HIGHEST = 0.7, 1.4
# The clear-sky model itself moves by as much with the season's haze; less than this is not the series' doing.
_MODEL_MOVES = 0.05
# The level holds from this share of a clear sky on, and less and less below it: what is learned on clear days says
# little of a series' clouds.
_CLEAR = 0.6
# Lateness is taken from the last clear days, and believed when three quarters of them lie together.
_LATE_DAYS = 12
_LATE_WIDTH_S = 600.0
_LEAST_LATE_S = 600.0


@dataclass(frozen=True, slots=True)
class WeatherTrust:
    """`late_s` is applied: whole grid steps, 0 unless sure.

    `level` by class of height is what the series makes of a clear sky, over what it made of one while the gains were
    learned.
    """

    late_s: int = 0
    level: tuple[float, ...] = (1.0,) * len(HEIGHTS)
    remark: str = ""


def weather_features(index: Values, clear: Mask, elevation_deg: Values) -> dict[str, float | None]:
    """The series' clear-sky index by height of the sun, on what the site's own power shows to be clear."""
    found: dict[str, float | None] = {}
    for name, (low, high) in HEIGHTS.items():
        cells = clear & ~np.isnan(index) & (elevation_deg >= low) & (elevation_deg < high)
        if np.count_nonzero(cells) >= _LEAST_CELLS:
            found[name] = float(np.median(index[cells]))
    return found


def weather_standing(nights: Nights, *, settled: bool) -> dict[str, float | None]:
    """Where the series stood while the site's gains were learned, and where it stood lately, for the next nights.

    `settled` tells that all gains are learned; before that, and before it was seen on some clear days, nothing is kept.
    """
    found: dict[str, float | None] = {}
    for name in HEIGHTS:
        seen = nights.known(name)
        was, now = nights.last(_WAS + name), nights.last(_NOW + name)
        if was is None and settled and seen.size >= _LEAST_DAYS:
            was = float(np.median(seen))
        if seen.size >= _LEAST_DAYS:
            now = float(np.median(seen[-_RECENT:]))
        if was is not None and now is not None:
            found |= {_WAS + name: was, _NOW + name: now}
    return found


def weather_trust(nights: Nights) -> WeatherTrust:
    """Judge a series by the daily features of the site's nights before, oldest first."""
    late_s, remark = _lateness(nights.known("weather_late_s")[-_LATE_DAYS:])
    changes, days = np.zeros(len(HEIGHTS)), np.zeros(len(HEIGHTS))
    for n, name in enumerate(HEIGHTS):
        was, now = nights.last(_WAS + name), nights.last(_NOW + name)
        if was is not None and now is not None:
            changes[n], days[n] = np.log(now / was), np.clip(nights.known(name).size, _LEAST_DAYS, _RECENT)
    overall = float(changes @ days) / (float(days.sum()) + _PRIOR_DAYS)
    drawn = (days * changes + _PRIOR_DAYS * overall) / (days + _PRIOR_DAYS)
    beyond = np.sign(drawn) * np.maximum(np.abs(drawn) - _MODEL_MOVES, 0.0)
    level = np.clip(np.exp(beyond), _LOWEST, _HIGHEST)
    return WeatherTrust(late_s, tuple(float(v) for v in level), remark)


def _lateness(days: Values) -> tuple[int, str]:
    """Shift to apply [s] and a sentence; nothing of both where the times look right."""
    if len(days) < _LEAST_DAYS:
        return 0, ""
    middle = float(np.median(days))
    width = float(np.quantile(np.abs(days - middle), 0.75))
    if abs(middle) < _LEAST_LATE_S:
        return 0, ""
    minutes, way = round(abs(middle) / 60.0), "late" if middle > 0.0 else "early"
    if width > _LATE_WIDTH_S:
        return 0, f"the weather's times look {minutes} minutes {way}, but not on all clear days: check its clock"
    return round(middle / STEP_S) * STEP_S, f"the weather's times look {minutes} minutes {way}: check marks and zone"


def levelled(rung: Rung, physics: Physics, trust: WeatherTrust) -> Rung:
    """A weather rung whose clear skies are brought back to where they stood while the gains were learned.

    Parameters
    ----------
    rung : Rung
        As the series gives it, shape (T,).
    physics : Physics
        Tables of the same times.
    trust : WeatherTrust
        Levels of the series under a clear sky.

    Returns
    -------
    Rung
        The series as it is under a dull sky, and levelled under a clear one.

    Notes
    -----
    Site adaptation by a ratio per class of sun height. The reference is the clear-sky model and not the site's own
    power, so that dirt or a fault on the roof is not taken for an error of the series; only changes count, because
    the series' gain was learned on the series as it was.
    """
    if all(level == 1.0 for level in trust.level):
        return rung
    height = np.digitize(physics.sun.elevation_deg, [low for low, _ in HEIGHTS.values()][1:])
    true = rung.index / np.array(trust.level)[height]
    share = np.clip(true / _CLEAR, 0.0, 1.0)
    index = rung.index + share * (true - rung.index)
    powers = {s: _moved(power, physics.power_w[s], rung.index, index) for s, power in rung.power_w.items()}
    return Rung(rung.name, powers, index, rung.sigma)


def _moved(power: Values, table: Values, was: Values, index: Values) -> Values:
    before = at_index(table, was)
    return np.asarray(power * np.divide(at_index(table, index), before, out=np.ones(was.shape), where=before > 0.0))
