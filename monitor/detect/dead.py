"""Does a unit make nothing although it should? The judgement that outages and dead strings share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask
from monitor.detect.delivered import delivered_w
from monitor.detect.night import DayLoss, SiteNight, Stillness, UnitNight
from monitor.model.grid import STEP_S

# An interval can be judged when even the low end of what is expected would keep an inverter running.
_BRIGHT_SHARE = 0.03
# "Nothing": the sky's diffuse light alone gives a shaded string five times this.
_NOTHING_OF_EXPECTED = 0.03
_NOTHING_OF_RATED = 0.004
_WORKING_OF_EXPECTED = 0.10
# A day that can be judged holds an hour of such intervals and 0.08 h of full power at the low end.
_MIN_INTERVALS = 4
_MIN_FULL_HOURS = 0.08
# A unit that stopped during the day: two hours, a quarter of the day's energy, 0.3 h of full power.
_STOP_INTERVALS, _STOP_SHARE, _STOP_FULL_HOURS = 8, 0.25, 0.3


def nothing(unit: UnitNight) -> Mask:
    """Intervals with a reading of practically zero, shape (T,)."""
    limit = np.maximum(_NOTHING_OF_EXPECTED * unit.expected.power_w, _NOTHING_OF_RATED * unit.rated_w)
    with np.errstate(invalid="ignore"):
        return np.asarray(unit.power_w < limit)


def working(unit: UnitNight) -> Mask:
    """Intervals with a reading that is a fair part of what is expected, shape (T,)."""
    limit = np.maximum(_WORKING_OF_EXPECTED * unit.expected.power_w, 2.0 * _NOTHING_OF_RATED * unit.rated_w)
    with np.errstate(invalid="ignore"):
        return np.asarray(unit.power_w >= limit)


def stillness(night: SiteNight, unit: UnitNight, where: Mask | None = None) -> Stillness:
    """Judge one unit on one day; as a whole it is judged once a night.

    Parameters
    ----------
    night : SiteNight
        The day.
    unit : UnitNight
        Power and expectation, shape (T,) [W].
    where : boolean array of shape (T,), optional
        Intervals that count, such as those in which a sibling was at work.

    Returns
    -------
    Stillness

    Notes
    -----
    After the outage rule of common practice (below 2-3 % of expected while witnesses produce), weighted by energy
    rather than time so that dawn and dusk count for little.
    """
    if where is not None:
        return _judged(night, unit, where)
    if not unit.judged:
        unit.judged.append(_judged(night, unit, np.ones(unit.power_w.shape, dtype=bool)))
    return unit.judged[0]


def _judged(night: SiteNight, unit: UnitNight, where: Mask) -> Stillness:
    bright = where & (unit.expected.low_w > _BRIGHT_SHARE * unit.rated_w) & ~np.isnan(unit.power_w)
    full_hours = float(np.sum(unit.expected.low_w[bright])) * STEP_S / 3600.0 / unit.rated_w
    judged = night.energy_kwh(unit.expected.power_w, bright)
    count = int(np.count_nonzero(bright))
    if count < _MIN_INTERVALS or full_hours < _MIN_FULL_HOURS:
        return Stillness(judged, full_hours, None, None, 0.0)
    still = nothing(unit) & bright
    share = night.energy_kwh(unit.expected.power_w, still) / judged
    at = np.flatnonzero(bright)
    moving = np.flatnonzero(~still[at])
    tail = at[moving[-1] + 1 :] if moving.size else at
    tail_kwh = float(np.sum(unit.expected.power_w[tail])) * STEP_S / 3.6e6
    tail_hours = float(np.sum(unit.expected.low_w[tail])) * STEP_S / 3600.0 / unit.rated_w
    stopped = tail.size >= _STOP_INTERVALS and tail_kwh >= _STOP_SHARE * judged and tail_hours >= _STOP_FULL_HOURS
    return Stillness(judged, full_hours, share, int(tail[0]) if stopped and moving.size else None, tail_kwh)


@dataclass(frozen=True, slots=True)
class SnowDoubt:
    """Whether snow could explain a standstill, and how many nights of it are waited for."""

    excuses: bool
    nights_needed: int


# Through snow some light comes: an open circuit or a dead inverter lets nothing pass at all.
_SNOW_PASSES = 0.005
# Bright days at nothing before snow is given up as the explanation: by the season alone; where the air of the last
# days was measured and says that snow may lie (no fault is called within five days of lying snow: common practice).
# The second number where three neighbours and more are at work.
_BY_SEASON, _BY_AIR = (3, 2), (5, 3)


def snow_doubt(night: SiteNight, unit: UnitNight, still: Stillness) -> SnowDoubt:
    """Weigh snow against a fault for a unit at nothing, where no unit of the same plane proves that it is free.

    On a day on which snow may lie, a trickle of power while the unit seems to stand, or neighbours that stood still
    this week, excuse it; otherwise more such days are waited for, the fewer the more neighbours work.
    """
    if not night.snow_possible:
        return SnowDoubt(False, 1)
    start = still.stopped_at or 0
    made = night.energy_kwh(np.maximum(unit.power_w[start:], 0.0))
    trickle = made > _SNOW_PASSES * (still.judged_kwh if still.stopped_at is None else still.stop_kwh)
    alone, watched = _BY_SEASON if night.snow_left is None else _BY_AIR
    return SnowDoubt(trickle or night.region.looks_snowed_in, watched if night.region.sites_working >= 3 else alone)


def standstill_loss(night: SiteNight, unit: UnitNight, start: int = 0) -> DayLoss:
    """What a unit at nothing lost from an interval on; gaps in its readings count as nothing, too."""
    return shortfall(night, unit, np.arange(night.starts.size) >= start)


def shortfall(night: SiteNight, unit: UnitNight, where: Mask) -> DayLoss:
    """What a unit lacked in some intervals; of a string, what its inverter would have delivered of it."""
    made = np.maximum(np.nan_to_num(unit.power_w), 0.0)
    kind, _, name = unit.subject.partition(":")
    energies = []
    for expected in (unit.expected.power_w, unit.expected.low_w, unit.expected.high_w):
        missing = np.where(where, np.maximum(expected - made, 0.0), 0.0)
        energies.append(night.energy_kwh(delivered_w(night, name, missing) if kind == "string" else missing))
    return DayLoss(night.day, *energies)
