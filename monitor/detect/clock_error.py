"""A source whose clock is wrong: daylight saving that was missed, a jump, a drift, or another zone from the start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np

from ingest.readings import Seconds, Values
from ingest.timeline import local_day
from monitor.detect.finding import Finding
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.told import told_by
from monitor.model.middle import median

Way = Literal["jump", "drift", "standing"]

_MINUTE = 60.0
# How far first and last power of a healthy roof leave the sun's symmetry, and what is a wrong clock.
_LEAST_S, _SURE_S, _STANDING_S = 20 * _MINUTE, 40 * _MINUTE, 40 * _MINUTE
_RIGHT_S = 15 * _MINUTE
# A jump that falls on a clock change is one of an hour, even if its first days measure it badly.
_HOUR_S, _ABOUT_S = 3600.0, 30 * _MINUTE
# A clock moves the day's both ends by the same: each of them by this part at least, and clear days' centroids too.
_BOTH_ENDS, _CENTROID, _MOST_DAYS = 0.5, 0.5, 0.7
_SOON_DAYS, _SMALL_DAYS, _BEFORE_DAYS, _STANDING_DAYS = 3, 6, 7, 10
_LOOK_BACK, _REFERENCE_DAYS, _DRIFT_DAYS, _STALE_DAYS = 60, 21, 90, 6
_SIGMAS, _LEAST_SIGMA_S = 5.0, 4 * _MINUTE
_DRIFT_SIGMAS = 3.5  # of a rate, whose sigma allows for the weather's memory already
_LEAST_DRIFT = 0.25 * _MINUTE  # [s/day]; the seasons move an unevenly shaded roof by a tenth of a minute a day
_HALF_THE_DRIFT = 0.5
_LEAST_CLEAR = 4


@dataclass(frozen=True, slots=True)
class _Ends:
    """Days of a source: how late its first and last power were, and the clear days' centroids."""

    days: Seconds
    first: Values
    last: Values
    clear_days: Seconds
    late: Values

    @property
    def middle(self) -> Values:
        """How late the middle of the day is [s]."""
        return np.asarray((self.first + self.last) / 2.0)


@dataclass(frozen=True, slots=True)
class _Shift:
    """A clock that is off: how, by how much against before [s], and between which days it went wrong."""

    way: Way
    by_s: float
    normal_s: float
    earliest: int
    latest: int
    clear_days: int
    day_sigma_s: float


@dataclass(frozen=True, slots=True)
class ClockError:
    """Sources whose stamps are off by the sun: the middle between a day's first and last power leaves its place.

    The middle holds on cloudy days too and hardly depends on tilt and azimuth; both ends of the day have to move by
    the same, because shade, snow, a late start and clouds move one of them or both against each other. On clear days
    the centroid of power has to agree. The reference is the source's own middle before, and a source that has been
    off from its first day on is told as a doubt of its settings.

    References
    ----------
    Centroid and midpoint of first and last power as two votes: common practice. An azimuth that is 15 degrees wrong
    moves the centroid by 7 to 27 minutes with the season, but first and last power hardly at all.
    """

    cause: str = "clock_error"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per source that tells a power."""
        sources = [source for source, subjects in told_by(night.site).items() if subjects]
        return [self._judge(night, f"source:{source}") for source in sources]

    def _judge(self, night: SiteNight, subject: str) -> Verdict:
        ends = _ends(night, subject)
        today = night.day.toordinal()
        if not ends.days.size or today - int(ends.days[-1]) > 0:
            return Verdict(subject, self.cause, "unclear")
        known = night.open_finding(subject, self.cause)
        if known is not None:
            return self._go_on(night, subject, ends, known)
        now = _now(ends, today)
        if now is None or abs(now) < _RIGHT_S:
            return Verdict(subject, self.cause, "unclear" if now is None else "healthy")
        shift = _jump(ends, today) or _drift(ends, today) or _standing(ends, today)
        return self._trouble(night, subject, shift) if shift else Verdict(subject, self.cause, "healthy")

    def _trouble(self, night: SiteNight, subject: str, shift: _Shift) -> Verdict:
        change = _clock_change(night.site.zone, shift) if shift.way == "jump" else None
        sure = 0.97 if change is not None and shift.clear_days else 0.93 if shift.clear_days else 0.85
        evidence: dict[str, Any] = {
            "way": shift.way,
            "minutes_late": round(shift.by_s / _MINUTE),
            "normal_minutes_late": round(shift.normal_s / _MINUTE, 1),
            "clear_days": shift.clear_days,
            "daylight_saving": change is not None,
            "earliest": date.fromordinal(shift.earliest).isoformat(),
            "latest": date.fromordinal(shift.latest).isoformat(),
        }
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.75 if shift.way == "standing" else sure,
            since=change or date.fromordinal(shift.latest),
            evidence=evidence,
        )

    def _go_on(self, night: SiteNight, subject: str, ends: _Ends, known: Finding) -> Verdict:
        normal = float(known.evidence.get("normal_minutes_late", 0.0)) * _MINUTE
        now = _now(ends, night.day.toordinal())
        if now is None:
            return Verdict(subject, self.cause, "unclear")
        off = now - normal
        if abs(off) <= _RIGHT_S or abs(now) <= _RIGHT_S:
            return Verdict(subject, self.cause, "healthy")
        evidence = {k: v for k, v in known.evidence.items() if k not in ("days_seen", "good_days")}
        evidence["minutes_late"] = round(off / _MINUTE)
        return Verdict(subject, self.cause, "trouble", known.confidence, known.since, evidence=evidence)


def _ends(night: SiteNight, subject: str) -> _Ends:
    first_days, first = night.series(subject, "first_s")
    last_days, last = night.series(subject, "last_s")
    clear_days, late = night.series(subject, "late_s")
    days = np.intersect1d(first_days, last_days)
    return _Ends(days, first[np.isin(first_days, days)], last[np.isin(last_days, days)], clear_days, late)


def _now(ends: _Ends, today: int) -> float | None:
    """How late the middle has been these last three days that tell [s]."""
    recent = ends.days > today - _STALE_DAYS
    return median(ends.middle[recent][-_SOON_DAYS:]) if np.count_nonzero(recent) >= _SOON_DAYS else None


def _jump(ends: _Ends, today: int) -> _Shift | None:
    """The best place for a jump within the last two months that has lasted until today."""
    window = np.flatnonzero(ends.days > today - _LOOK_BACK)
    best: _Shift | None = None
    score = 0.0
    for at in window[_BEFORE_DAYS : window.size - _SOON_DAYS + 1].tolist():
        before, after = slice(max(at - _REFERENCE_DAYS, int(window[0])), at), slice(at, None)
        normal, level = (median(ends.middle[part]) for part in (before, after))
        count, reference = ends.days.size - at, at - int(before.start)
        weight = abs(level - normal) * np.sqrt(count * reference / (count + reference))
        if abs(level - normal) < _LEAST_S or abs(level) < max(abs(normal), _RIGHT_S) or weight <= score:
            continue
        sigma = max(1.4826 * median(np.abs(ends.middle[before] - normal)), _LEAST_SIGMA_S)
        found = _confirmed(ends, before, at, level - normal, normal, sigma)
        if found is not None:
            best, score = found, float(weight)
    return best


def _confirmed(ends: _Ends, before: slice, at: int, by: float, normal: float, sigma: float) -> _Shift | None:
    """A jump of the middle, if both ends, the days one by one and the clear days' centroids go with it."""
    after = slice(at, None)
    count, reference = ends.days.size - at, at - int(before.start)
    if abs(by) < _SIGMAS * sigma * np.sqrt(1.0 / count + 1.0 / reference):
        return None
    moved = [float(median(e[after]) - median(e[before])) / by for e in (ends.first, ends.last)]
    with_it = np.count_nonzero((ends.middle[after] - normal) / by > _BOTH_ENDS)
    still = (median(ends.middle[-_SOON_DAYS:]) - normal) / by
    if min(*moved, still) < _BOTH_ENDS or with_it < _MOST_DAYS * count:
        return None
    last_before, first_after = int(ends.days[at - 1]), int(ends.days[at])
    old = ends.late[(ends.clear_days <= last_before) & (ends.clear_days >= int(ends.days[before.start]))]
    new = ends.late[ends.clear_days >= first_after]
    if old.size and new.size and (median(new) - median(old)) / by < _CENTROID:
        return None
    small = abs(by) < _SURE_S
    if small and (count < _SMALL_DAYS or not (old.size and new.size >= 2)):
        return None
    return _Shift("jump", by, normal, last_before + 1, first_after, int(new.size), sigma)


def _drift(ends: _Ends, today: int) -> _Shift | None:
    """A clock that runs fast or slow: the middle wanders away from where it was, day by day."""
    inside = ends.days > today - _DRIFT_DAYS
    days, middle = ends.days[inside], ends.middle[inside]
    if days.size < 3 * _STANDING_DAYS:
        return None
    early, recent = slice(0, _STANDING_DAYS), slice(-_SMALL_DAYS, None)
    normal, level = median(middle[early]), median(middle[recent])
    by = level - normal
    if abs(by) < _LEAST_S or abs(level) < max(abs(normal), _RIGHT_S):
        return None
    rate = _slope(days, middle)
    last_third = slice(-(days.size // 3), None)
    lately = _slope(days[last_third], middle[last_third])
    if abs(rate) < _LEAST_DRIFT or lately / rate < _HALF_THE_DRIFT:
        return None
    clear = ends.clear_days > today - _DRIFT_DAYS
    late_days, late = ends.clear_days[clear], ends.late[clear]
    if max(_surely(days, middle, rate), _surely(late_days, late, rate)) < _DRIFT_SIGMAS:
        return None
    moved = [float(median(e[inside][recent]) - median(e[inside][early])) / by for e in (ends.first, ends.last)]
    if min(moved) < _BOTH_ENDS or late.size < _LEAST_CLEAR or _slope(late_days, late) / rate < _CENTROID:
        return None
    began = _bend(days[:-_SMALL_DAYS], [(days, middle - normal), (late_days, late - median(late[:_LEAST_CLEAR]))])
    return _Shift("drift", by, normal, began, began, int(late.size), _LEAST_SIGMA_S)


def _slope(days: Seconds, values: Values) -> float:
    """Median of the slopes between days at least a week apart [per day] (Theil and Sen)."""
    gaps = days[None, :] - days[:, None]
    far = gaps >= 7
    if not far.any():
        return 0.0
    return median((values[None, :] - values[:, None])[far] / gaps[far])


def _bend(first_days: Seconds, series: Sequence[tuple[Seconds, Values]]) -> int:
    """The likeliest day from which levels that were at zero run away in a straight line (least squares).

    Each series, of days and how late they were, counts by its scatter from day to day.
    """
    costs = np.zeros(first_days.size)
    for days, off in series:
        spread = max(1.4826 * median(np.abs(np.diff(off))) / np.sqrt(2.0), _LEAST_SIGMA_S / 4.0)
        runs = np.maximum(days[None, :] - first_days[:, None], 0).astype(np.float64)
        rates = runs @ off / np.maximum(np.sum(runs**2, axis=1), 1.0)
        costs += np.sum((off[None, :] - rates[:, None] * runs) ** 2, axis=1) / spread**2
    return int(first_days[int(np.argmin(costs))])


def _surely(days: Seconds, values: Values, rate: float) -> float:
    """How many sigmas a rate [per day] stands out of the scatter around its line; the weather remembers (twice it)."""
    if days.size < _LEAST_CLEAR:
        return 0.0
    at = days - float(np.mean(days))
    off = values - rate * at
    spread = max(1.4826 * median(np.abs(off - median(off))), _LEAST_SIGMA_S)
    return abs(rate) * float(np.sqrt(np.sum(at**2))) / (2.0 * spread)


def _standing(ends: _Ends, today: int) -> _Shift | None:
    """A source that has been off all the time that it is known."""
    if ends.days.size < _STANDING_DAYS or ends.days[-_STANDING_DAYS] <= today - _LOOK_BACK:
        return None
    # Long known sources were judged when they were new; what they do later is a change.
    if ends.days.size > 3 * _STANDING_DAYS:
        return None
    level = median(ends.middle)
    moved = [median(e) / level if level else 0.0 for e in (ends.first, ends.last)]
    if abs(level) < _STANDING_S or min(moved) < _BOTH_ENDS:
        return None
    if ends.late.size and median(ends.late) / level < _CENTROID:
        return None
    first = int(ends.days[0])
    return _Shift("standing", level, 0.0, first, first, int(ends.late.size), _LEAST_SIGMA_S)


def _clock_change(zone: ZoneInfo, shift: _Shift) -> date | None:
    """The daylight-saving date that a jump of an hour falls on, within what is known of its day."""
    if abs(abs(shift.by_s) - _HOUR_S) > _ABOUT_S:
        return None
    for number in range(shift.earliest - 2, shift.latest + 3):
        day = date.fromordinal(number)
        begin, end = local_day(day, zone)
        if end - begin != 86_400:
            return day
    return None
