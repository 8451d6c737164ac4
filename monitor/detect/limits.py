"""Levels that hold a site back: which one the site file states, which one is new and lower than before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from monitor.config.models import Inverter
from monitor.detect.faulty import KINDS
from monitor.detect.flat_top import FLAT, SAME_LEVEL, habits
from monitor.detect.night import SiteNight
from monitor.model.middle import median

# A level within this share of a limit of the site file is that limit.
_AS_STATED = 0.03
# A limit that came down: below this share of what was reached on three days of the two months before.
_LOWER = 0.92
_DAYS_BEFORE, _DAYS_ABOVE = 60, 3
# Days with a flat top at the new level before it is called new.
_DAYS_AT = 4
# A new inverter meets its first bright day within so many days.
_REPLACED_DAYS = 14


@dataclass(frozen=True, slots=True)
class Lowered:
    """A level that an inverter has not passed since a day [W], and what it reached before [W]."""

    level_w: float
    before_w: float
    since: date


def stated(night: SiteNight, level: float) -> bool:
    """Whether a level of an inverter is the export limit of the site file."""
    limit = night.site.site.export_limit_w
    return limit is not None and abs(level / limit - 1.0) < _AS_STATED


def lowered(night: SiteNight, inverter: Inverter) -> Lowered | None:
    """A level that has come down and that the site file does not state; None where there is none.

    Four flat tops at one level and not a reading above it since the first of them, after days of the two months
    before on which the inverter reached clearly more.
    """
    subject = f"inverter:{inverter.id}"
    known = night.open_finding(subject, "export_limiting")
    if known is not None and "before_w" in known.evidence:
        days, tops = night.series(subject, "top_w")
        level = float(known.evidence["level_w"])
        passed = tops[days > known.last_seen.toordinal()] > (1.0 + 2.0 * FLAT) * level
        return None if passed.any() else Lowered(level, float(known.evidence["before_w"]), known.since)
    flat_days, flats = night.series(subject, "flat_w")
    recent = flats[-_DAYS_AT:]
    if len(recent) < _DAYS_AT or not habits(recent) or np.ptp(recent) > SAME_LEVEL * recent[0]:
        return None
    level = median(recent)
    same = np.abs(flats / level - 1.0) < SAME_LEVEL
    days, tops = night.series(subject, "top_w")
    above = tops > (1.0 + 2.0 * FLAT) * level
    last_above = int(days[above][-1]) if above.any() else 0
    since = flat_days[same & (flat_days > last_above)]
    if since.size < _DAYS_AT or abs(level / inverter.rated_ac_w - 1.0) < _AS_STATED or stated(night, level):
        return None
    before = tops[(days <= last_above) & (days > int(since[0]) - _DAYS_BEFORE)]
    reached = np.sort(before)[-_DAYS_ABOVE:]
    if reached.size < _DAYS_ABOVE or level > _LOWER * float(reached[0]):
        return None
    return Lowered(level, float(reached[0]), date.fromordinal(int(since[0])))


def started_anew(night: SiteNight, subject: str, since: date) -> bool:
    """Whether an inverter's energy register began again shortly before a day: another inverter may hang there now."""
    days, kinds = night.series(subject, "fault")
    resets = days[kinds == KINDS.index("register_reset") + 1]
    return bool(np.any(np.abs(resets - since.toordinal()) <= _REPLACED_DAYS))
