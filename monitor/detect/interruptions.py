"""Strings that fall to nothing for a part of the day and come back: a contact that opens with warmth, wind or wet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from ingest.readings import Mask, Seconds, Values
from monitor.config.models import String
from monitor.detect.beyond_dc import works_unseen
from monitor.detect.dead import nothing, shortfall, stillness, working
from monitor.detect.held import held_back
from monitor.detect.night import DayLoss, SiteNight, UnitNight

# Light in which even the low end of what is expected is this part of the nameplate: no inverter lets a string rest.
_STRONG = 0.15
# Half an hour at nothing is no search for the best working point.
_LEAST_RUN = 2
# Days with interruptions that are remembered together, and how long it must be quiet. Once may be somebody at the
# isolator, or a standstill that was mended; twice is a trouble where much was lost, else three times.
WITHIN_DAYS, QUIET_DAYS = 28, 14
_LEAST_TIMES, _FULL_HOURS = (2, 3), 1.0
# At nothing for this part of a day's energy it is a day of a standstill.
_WHOLE_DAY = 0.8
# What is expected in the hours at nothing is known to a fifth.
_LOSS_RANGE = 0.2


@dataclass(frozen=True, slots=True)
class Interruptions:
    """Recent days on which a string fell to nothing in strong light, and what it lost on each."""

    days: tuple[date, ...]
    losses: tuple[DayLoss, ...]
    judged_days: int
    is_trouble: bool


def interruptions(night: SiteNight, subject: str) -> Interruptions:
    """Interruptions of a string within the last weeks, up to tonight."""
    days, kwh = night.series(subject, "gone_kwh")
    recent = days > night.day.toordinal() - WITHIN_DAYS
    days, kwh = days[recent], kwh[recent]
    found = [(date.fromordinal(int(d)), float(e)) for d, e in zip(days, kwh, strict=True) if e > 0.0]
    losses = tuple(DayLoss(d, e, (1.0 - _LOSS_RANGE) * e, (1.0 + _LOSS_RANGE) * e) for d, e in found)
    much = sum(e for _, e in found) >= _FULL_HOURS * night.units[subject].rated_w / 1000.0
    times = _times(kwh > 0.0, _whole_days(night, subject, days, kwh))
    return Interruptions(tuple(d for d, _ in found), losses, int(days.size), times >= _LEAST_TIMES[not much])


def _whole_days(night: SiteNight, subject: str, days: Seconds, kwh: Values) -> Mask:
    """Days that were lost altogether, shape of `days`."""
    felt = dict(zip(*(a.tolist() for a in night.series(subject, "felt_kwh")), strict=True))
    return np.array([e > _WHOLE_DAY * felt.get(int(d), np.inf) for d, e in zip(days, kwh, strict=True)], dtype=bool)


def _times(gone: Mask, whole: Mask) -> int:
    """How often a string fell to nothing: a standstill of days counts once, hours on one day count by themselves."""
    edges = np.diff(np.concatenate(([0], gone.astype(np.int8), [0])))
    runs = zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True)
    return sum(1 if whole[first:past].any() else past - first for first, past in runs)


def observe_interruptions(night: SiteNight) -> dict[str, dict[str, float]]:
    """Trait `gone_kwh` of strings: what they lost while they made nothing in strong light and others were at work.

    Zero on days on which a string worked and had no such half hour. Days on which snow may lie have no such
    trait: it slides off a roof in patches.
    """
    if night.snow_possible:
        return {}
    seen = {}
    for string, unit in _strings(night):
        others = list(witnesses(night, string).values())
        if not others or stillness(night, unit).share is None:
            continue
        at_work = np.any([working(w) for w in others], axis=0) & ~held_back(night, string.inverter)
        gone = _in_runs(at_work & nothing(unit) & (unit.expected.low_w > _STRONG * unit.rated_w))
        worked = not gone.any() and stillness(night, unit).is_working
        if not worked and (not gone.any() or works_unseen(night, string, gone)):
            continue
        seen[unit.subject] = {"gone_kwh": shortfall(night, unit, gone).kwh if gone.any() else 0.0}
    return seen


def witnesses(night: SiteNight, string: String) -> Mapping[str, UnitNight]:
    """Units whose work proves that a string could work: siblings on its inverter or plane, and the inverter."""
    near = [s for s in night.site.string if s.inverter == string.inverter or s.plane == string.plane]
    subjects = [f"string:{s.id}" for s in near if s.id != string.id]
    found = {subject: night.units[subject] for subject in subjects if subject in night.units}
    inverter = night.units.get(f"inverter:{string.inverter}")
    if inverter is not None and len(night.site.strings_of(string.inverter)) > 1:
        found[inverter.subject] = inverter
    return found


def _strings(night: SiteNight) -> Iterator[tuple[String, UnitNight]]:
    for string in night.site.string:
        unit = night.units.get(f"string:{string.id}")
        if unit is not None:
            yield string, unit


def _in_runs(gone: Mask) -> Mask:
    """Intervals in runs of at least so many, shape (T,)."""
    edges = np.diff(np.concatenate(([0], gone.astype(np.int8), [0])))
    kept = np.zeros(gone.shape, dtype=bool)
    for first, past in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        kept[first:past] = past - first >= _LEAST_RUN
    return kept
