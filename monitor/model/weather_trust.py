"""What earlier nights tell of a weather series: how late its times are, and what it makes of a clear sky."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.gain import Gains
from monitor.model.grid import STEP_S
from monitor.model.ladder import Rung
from monitor.model.physics import Physics, at_index

Features = Mapping[str, float | None]

# Classes of the sun's elevation [deg] and the names of their daily features.
HEIGHTS = {"weather_low": (8.0, 20.0), "weather_mid": (20.0, 40.0), "weather_high": (40.0, 90.0)}
_LEAST_CELLS = 4
_DAYS = 120  # trailing window, in nights: winters with few clear days are bridged
_LEAST_DAYS = 5
_PRIOR_DAYS = 10.0  # a series that is right counts as so many clear days
_LOWEST, _HIGHEST = 0.7, 1.4
# The level holds for a clear sky, and not at all below this share of it: what is learned on clear days says nothing
# of a series' clouds.
_DULL, _CLEAR = 0.5, 0.9
# Lateness is taken from the last clear days, and believed when most of them lie together.
_LATE_DAYS = 12
_LATE_WIDTH_S = 600.0
_LEAST_LATE_S = 600.0


@dataclass(frozen=True, slots=True)
class WeatherTrust:
    """`late_s` is applied: whole grid steps, 0 unless sure. `level` by class of height, `weight` of it 0 to 1."""

    late_s: int = 0
    level: tuple[float, ...] = (1.0,) * len(HEIGHTS)
    weight: float = 0.0
    remark: str = ""


def weather_features(index: Values, clear: Mask, elevation_deg: Values) -> dict[str, float | None]:
    """The series' clear-sky index by height of the sun, on what the site's own power shows to be clear."""
    found: dict[str, float | None] = {}
    for name, (low, high) in HEIGHTS.items():
        cells = clear & ~np.isnan(index) & (elevation_deg >= low) & (elevation_deg < high)
        if np.count_nonzero(cells) >= _LEAST_CELLS:
            found[name] = float(np.median(index[cells]))
    return found


def weather_trust(nights: Sequence[Features]) -> WeatherTrust:
    """Judge a series by the daily features of the site's nights before, oldest first."""
    late_s, remark = _lateness([v for f in nights if (v := f.get("weather_late_s")) is not None][-_LATE_DAYS:])
    by_class = [
        np.log(np.array([v for f in nights[-_DAYS:] if (v := f.get(name)) is not None], dtype=np.float64))
        for name in HEIGHTS
    ]
    days = sum(any(f.get(name) is not None for name in HEIGHTS) for f in nights[-_DAYS:])
    if days < _LEAST_DAYS:
        return WeatherTrust(late_s=late_s, remark=remark)
    overall = float(np.median(np.concatenate(by_class)))
    level = tuple(float(np.clip(np.exp(_drawn(seen, overall)), _LOWEST, _HIGHEST)) for seen in by_class)
    return WeatherTrust(late_s, level, days / (days + _PRIOR_DAYS), remark)


def _drawn(seen: Values, overall: float) -> float:
    """A class's level (log), drawn towards that of all classes."""
    if not seen.size:
        return overall
    return (seen.size * float(np.median(seen)) + _PRIOR_DAYS * overall) / (seen.size + _PRIOR_DAYS)


def _lateness(days: Sequence[float]) -> tuple[int, str]:
    """Shift to apply [s] and a sentence; nothing of both where the times look right."""
    if len(days) < _LEAST_DAYS:
        return 0, ""
    middle = float(np.median(days))
    width = 1.4826 * float(np.median(np.abs(np.array(days) - middle)))
    if abs(middle) < _LEAST_LATE_S:
        return 0, ""
    minutes, way = round(abs(middle) / 60.0), "late" if middle > 0.0 else "early"
    if width > _LATE_WIDTH_S:
        return 0, f"the weather's times look {minutes} minutes {way}, but not on all clear days: check its clock"
    return round(middle / STEP_S) * STEP_S, f"the weather's times look {minutes} minutes {way}: check marks and zone"


def levelled(rung: Rung, physics: Physics, trust: WeatherTrust, gains: Mapping[str, Gains]) -> Rung:
    """A weather rung with its clear skies brought to the level of the clear sky, and its power to that sky's gain.

    Parameters
    ----------
    rung : Rung
        As the series gives it, shape (T,).
    physics : Physics
        Tables of the same times.
    trust : WeatherTrust
        Levels of the series under a clear sky.
    gains : mapping
        Learned gains by subject. The rung's own gain was learned on the series as it is, and is multiplied later.

    Returns
    -------
    Rung
        Between the series as it is (weight 0, or a dull sky) and the levelled one (weight 1 under a clear sky).

    Notes
    -----
    Site adaptation by a ratio per class of sun height, with the clear-sky model as the reference and not the site's
    own power, so that dirt or a fault on the roof is not taken for an error of the series.
    """
    if trust.weight == 0.0:
        return rung
    height = np.digitize(physics.sun.elevation_deg, [low for low, _ in HEIGHTS.values()][1:])
    true = rung.index / np.array(trust.level)[height]
    share = trust.weight * np.clip((true - _DULL) / (_CLEAR - _DULL), 0.0, 1.0)
    powers = {s: _moved(rung, physics, s, true, share, gains[s]) for s in rung.power_w}
    return Rung(rung.name, powers, rung.index * (true / np.maximum(rung.index, 1e-6)) ** share, rung.sigma)


def _moved(rung: Rung, physics: Physics, subject: str, true: Values, share: Values, gains: Gains) -> Values:
    table = physics.power_w[subject]
    as_is = at_index(table, rung.index)
    ratio = np.divide(at_index(table, true), as_is, out=np.ones(true.shape), where=as_is > 0.0)
    return np.asarray(rung.power_w[subject] * (ratio * gains.clear_sky / gains.weather) ** share)
