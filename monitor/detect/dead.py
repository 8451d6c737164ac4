"""Does a unit make nothing although it should? The judgement that outages and dead strings share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from ingest.readings import Mask
from monitor.detect.delivered import USUAL_EFFICIENCY, delivered_w
from monitor.detect.night import DayLoss, SiteNight, Stillness, UnitNight, Verdict
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
# Where the low end of a guess is too little: so much of the rating most likely, for so many hours of full power.
_LIKELY_SHARE, _LIKELY_FULL_HOURS = 0.10, 0.5
# A unit that stopped during the day: two hours, a quarter of the day's energy, 0.3 h of full power.
_STOP_INTERVALS, _STOP_SHARE, _STOP_FULL_HOURS = 8, 0.25, 0.3

# A clock that is hours off takes less than this of a day's energy from its end.
_BEYOND_ANY_CLOCK = 0.6
# The part of a day on which a unit stopped late is known to so much.
_TAIL_RANGE = 0.3


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
        return _most_likely(night, unit, where, full_hours)
    still = nothing(unit) & bright
    share = night.energy_kwh(unit.expected.power_w, still) / judged
    at = np.flatnonzero(bright)
    moving = np.flatnonzero(~still[at])
    tail = at[moving[-1] + 1 :] if moving.size else at
    tail_kwh = float(np.sum(unit.expected.power_w[tail])) * STEP_S / 3.6e6
    tail_hours = float(np.sum(unit.expected.low_w[tail])) * STEP_S / 3600.0 / unit.rated_w
    stopped = tail.size >= _STOP_INTERVALS and tail_kwh >= _STOP_SHARE * judged and tail_hours >= _STOP_FULL_HOURS
    return Stillness(judged, full_hours, share, int(tail[0]) if stopped and moving.size else None, tail_kwh)


def _most_likely(night: SiteNight, unit: UnitNight, where: Mask, full_hours: float) -> Stillness:
    """Judge a day whose low end would let an inverter sleep by what was most likely: only without a sign of power."""
    likely = where & (unit.expected.power_w > _LIKELY_SHARE * unit.rated_w) & ~np.isnan(unit.power_w)
    judged = night.energy_kwh(unit.expected.power_w, likely)
    if np.count_nonzero(likely) < _MIN_INTERVALS or judged * 1000.0 < _LIKELY_FULL_HOURS * unit.rated_w:
        return Stillness(judged, full_hours, None, None, 0.0)
    with np.errstate(invalid="ignore"):
        still = likely & (unit.power_w < _NOTHING_OF_RATED * unit.rated_w)
    share = night.energy_kwh(unit.expected.power_w, still) / judged
    return Stillness(judged, full_hours, share, None, 0.0, likely=True)


def stands(night: SiteNight, still: Stillness) -> bool:
    """Whether a unit stood still; where a clock is known to be wrong, only most of a day at nothing proves it."""
    wrong = any(f.cause == "clock_error" and f.state == "open" for f in night.known)
    return still.is_still and (not wrong or (still.share or 0.0) >= _BEYOND_ANY_CLOCK)


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
# Snow leaves a flat or shaded roof up to so many days after it has left the others (common practice).
_LIES_ON_DAYS = 7
_WORKED_FULL_HOURS = 0.3  # more than comes through snow in a day
_STANDSTILLS = ("failed_string", "inverter_outage")


def snow_doubt(night: SiteNight, unit: UnitNight, still: Stillness) -> SnowDoubt:
    """Weigh snow against a fault for a unit at nothing, where no unit of the same plane proves that it is free.

    What lay there some days ago, on a roof that has not worked since, may lie there still.
    On a day on which snow may lie, a trickle of power while the unit seems to stand, or neighbours that stood still
    this week, excuse it; otherwise more such days are waited for, the fewer the more neighbours work.
    """
    told = any(f.subject == unit.subject and f.state == "open" and f.cause in _STANDSTILLS for f in night.known)
    if told or not night.snow_possible:
        return SnowDoubt(False, 1)
    fell = [f.last_seen for f in night.known if f.cause == "snow" and f.state == "open"]
    if fell and (night.day - max(fell)).days <= _LIES_ON_DAYS and not _worked_after(night, unit, max(fell)):
        return SnowDoubt(True, 1)
    start = still.stopped_at or 0
    made = night.energy_kwh(np.maximum(unit.power_w[start:], 0.0))
    trickle = made > _SNOW_PASSES * (still.judged_kwh if still.stopped_at is None else still.stop_kwh)
    alone, watched = _BY_SEASON if night.snow_left is None else _BY_AIR
    last_still = night.region.last_still
    around = night.region.looks_snowed_in and not (last_still and _worked_after(night, unit, last_still))
    return SnowDoubt(trickle or around, watched if night.region.sites_working >= 3 else alone)


def _worked_after(night: SiteNight, unit: UnitNight, day: date) -> bool:
    """Whether a unit has worked since a day on which snow lay: the snow has left it."""
    days, made = night.past.series(unit.subject, "measured_kwh")
    return bool((made[days > day.toordinal()] > _WORKED_FULL_HOURS * unit.rated_w / 1000.0).any())


def standstill_loss(night: SiteNight, unit: UnitNight, start: int = 0) -> DayLoss:
    """What a unit at nothing lost from an interval on; gaps in its readings count as nothing, too."""
    return shortfall(night, unit, np.arange(night.starts.size) >= start)


def with_meter(night: SiteNight, subject: str) -> UnitNight | None:
    """The inverter's unit; where its own log has gaps, its generation meter's power."""
    unit = night.units.get(subject)
    if unit is None:
        return None
    for meter in night.site.meter:
        power = night.meters_w.get(f"meter:{meter.id}")
        if meter.role == "generation" and f"inverter:{meter.inverter}" == subject and power is not None:
            return replace(unit, power_w=np.where(np.isnan(unit.power_w), power, unit.power_w))
    return unit


def observe_tails(night: SiteNight) -> dict[str, dict[str, float]]:
    """Trait `tail_kwh` of a unit that ended the day at nothing: what was expected of it from then on."""
    seen = {}
    for subject, unit in night.units.items():
        still = stillness(night, with_meter(night, subject) or unit)
        if still.share is not None and still.stop_kwh > 0.0:
            seen[subject] = {"tail_kwh": still.stop_kwh}
    return seen


def stopped_before(night: SiteNight, subject: str, still: Stillness) -> tuple[DayLoss, ...]:
    """What a unit that stood all day lost on the days at nothing before, and on the evening on which it had stopped."""
    days, tails = night.past.series(subject, "tail_kwh")
    made = dict(zip(*(a.tolist() for a in night.past.series(subject, "measured_kwh")), strict=True))
    factor = USUAL_EFFICIENCY if subject.startswith("string:") else 1.0
    found: list[DayLoss] = []
    for back, (day, tail) in enumerate(zip(days[::-1].tolist(), tails[::-1].tolist(), strict=True), 1):
        if still.stopped_at is not None or day != night.day.toordinal() - back:
            break
        kwh = factor * tail
        found.append(DayLoss(date.fromordinal(day), kwh, (1.0 - _TAIL_RANGE) * kwh, (1.0 + _TAIL_RANGE) * kwh))
        if made.get(day, 0.0) > _NOTHING_OF_EXPECTED * tail:
            break
    return tuple(found[::-1])


def came_back(night: SiteNight, unit: UnitNight, cause: str) -> Verdict | None:
    """The last of a standstill that is known: hours at nothing before a unit came back during the day, or None."""
    finding = night.open_finding(unit.subject, cause)
    if finding is None or finding.last_seen != night.day - timedelta(days=1):
        return None
    at = np.flatnonzero((unit.expected.low_w > _BRIGHT_SHARE * unit.rated_w) & ~np.isnan(unit.power_w))
    moving = np.flatnonzero(~nothing(unit)[at])
    if not moving.size or moving[0] < _MIN_INTERVALS:
        return None
    loss = shortfall(night, unit, np.arange(night.starts.size) < at[moving[0]])
    kept = {k: v for k, v in finding.evidence.items() if k not in ("days_seen", "good_days", "unseen_days")}
    return Verdict(unit.subject, cause, "trouble", finding.confidence, finding.since, (loss,), kept)


def shortfall(night: SiteNight, unit: UnitNight, where: Mask) -> DayLoss:
    """What a unit lacked in some intervals; of a string, what its inverter would have delivered of it."""
    made = np.maximum(np.nan_to_num(unit.power_w), 0.0)
    kind, _, name = unit.subject.partition(":")
    energies = []
    for expected in (unit.expected.power_w, unit.expected.low_w, unit.expected.high_w):
        missing = np.where(where, np.maximum(expected - made, 0.0), 0.0)
        energies.append(night.energy_kwh(delivered_w(night, name, missing) if kind == "string" else missing))
    return DayLoss(night.day, *energies)
