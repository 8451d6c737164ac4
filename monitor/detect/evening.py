"""From a day's view and expectation to what the detectors are shown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

import numpy as np

from ingest.readings import Values
from monitor.config.models import Inverter
from monitor.detect.dead import stillness
from monitor.detect.finding import Finding
from monitor.detect.night import DayLoss, GapStep, Region, SiteNight, UnitNight
from monitor.detect.snow_cover import cover_left, dim, snow_possible
from monitor.model.dayview import DayExpectation, DayView, marked_share
from monitor.model.grid import STEP_S
from monitor.model.history import SiteHistory
from monitor.model.ladder import Expected
from monitor.model.measured import CounterStep

_SILENT_SHARE = 0.25
# A register that has counted more than this many hours of full power cannot be one that starts anew every day.
_LIFE_LONG_HOURS = 12.0
_MIN_GAP_S = 3 * 3600
_BEFORE_LIGHT_H = 4
_AWAKE_SHARE, _WELL_AWAKE_SHARE = 0.03, 0.10
_LEAST_LIGHT = 4  # intervals
# A neighbour that stood still so many days ago may have been snowed in.
SNOW_MEMORY_DAYS = 7


def site_night(
    view: DayView,
    expectation: DayExpectation,
    history: SiteHistory,
    known: Sequence[Finding] = (),
    *,
    arrivals_stopped: bool = False,
) -> SiteNight:
    """Assemble a SiteNight; `arrivals_stopped` when nobody of the fleet was heard, which is no site's fault."""
    heard = {source: view.part(share) for source, share in view.span.measured.heard.items()}
    units = {
        subject: UnitNight(subject, view.span.rated_w(subject), expected, power, _marked(view, expected, subject))
        for subject, power in view.power_w.items()
        for expected in (expectation.units[subject],)
    }
    light_w, dull = _light(view, expectation, snow=snow_possible(view, history))
    return SiteNight(
        site=view.site,
        day=view.day,
        starts=view.physics.starts,
        units=units,
        meters_w={m: view.part(p) for m, p in view.span.measured.power_w.items() if m.startswith("meter:")},
        light_w=light_w,
        dull=dull,
        heard=heard,
        expecting=frozenset() if arrivals_stopped else _expecting(heard, history),
        silent_nights={source: history.silent_nights(source, _SILENT_SHARE) for source in heard},
        snow_possible=snow_possible(view, history),
        snow_left=cover_left(view, history),
        gap_steps=tuple(_gap_steps(view, expectation, history)),
        physics=view.physics,
        open_physics=view.in_the_open.physics,
        gains=view.gains,
        index=expectation.index,
        in_thousandths=view.in_thousandths,
        outside_w=expectation.outside_w,
        span=view.span,
        past=history,
        known=tuple(known),
    )


def _marked(view: DayView, expected: Expected, subject: str) -> float:
    """Share of the day's expected energy whose readings have any mark."""
    return min(sum(marked_share(view, expected, subject).values()), 1.0)


def at_nothing(night: SiteNight) -> bool | None:
    """Whether any unit of a site stood still; None when no unit could be judged."""
    judged = [s for s in (stillness(night, unit) for unit in night.units.values()) if s.share is not None]
    return any(s.is_still for s in judged) if judged else None


def idle_today(night: SiteNight) -> bool | None:
    """Whether a site tells its neighbours of snow today: a unit at nothing, or next to no power of the whole roof."""
    return True if dim(night) else at_nothing(night)


def region(neighbours: Sequence[tuple[bool | None, SiteHistory]], day: date) -> Region:
    """Sum up the neighbours: each one's `idle_today`, and what it left behind of the days before."""
    days = [
        _still_days(history, day) | ({day.toordinal()} if today is True else set()) for today, history in neighbours
    ]
    working = [today is False and not before for (today, _), before in zip(neighbours, days, strict=True)]
    together = 2 if len(neighbours) > 2 else 1
    counts = Counter(n for one in days for n in one)
    last = max((n for n, count in counts.items() if count >= together), default=None)
    return Region(sum(map(bool, days)), sum(working), None if last is None else date.fromordinal(last))


def _still_days(history: SiteHistory, day: date) -> set[int]:
    """Days (ordinals) of the week before on which a neighbour stood still."""
    days, still = history.series("site", "still")
    inside = (days >= day.toordinal() - SNOW_MEMORY_DAYS) & (days < day.toordinal()) & (still == 1.0)
    return set(days[inside].tolist())


def _light(view: DayView, expectation: DayExpectation, *, snow: bool) -> tuple[Values, bool]:
    """The low end of the site's expected power, in intervals in which it would keep every inverter awake.

    A day with less than an hour of them is dark, unless what is most likely would keep them well awake: that is given
    in its place, and True. Where snow may lie, intervals in which the inverters are heard to make nothing do not count:
    modules under snow do not speak either.
    """
    units = [f"inverter:{i.id}" for i in _fed(view)]
    rated = np.array([[view.span.rated_w(u)] for u in units])
    low = np.array([expectation.units[u].low_w for u in units])
    bright = np.all(low > _AWAKE_SHARE * rated, axis=0)
    if snow:
        known = [view.power_w[u] for u in units if u in view.power_w]
        made = np.nansum(known, axis=0) if known else np.zeros(bright.shape)
        silent = np.isnan(known).all(axis=0) if known else np.ones(bright.shape, dtype=bool)
        bright &= silent | (made > _AWAKE_SHARE * np.sum(low, axis=0))
    if np.count_nonzero(bright) >= _LEAST_LIGHT:
        return np.sum(low, axis=0) * bright, False
    likely = np.array([expectation.units[u].power_w for u in units])
    awake = np.all(likely > _WELL_AWAKE_SHARE * rated, axis=0)
    if snow or np.count_nonzero(awake) < _LEAST_LIGHT:
        return np.zeros(bright.shape), False
    return np.sum(likely, axis=0) * awake, True


def _fed(view: DayView) -> list[Inverter]:
    return [i for i in view.site.inverter if view.site.strings_of(i.id)]


def _expecting(heard: Mapping[str, Values], history: SiteHistory) -> frozenset[str]:
    """Sources that have delivered before, or today."""
    before = {source for source in heard if history.nights(f"source:{source}").known("heard").any()}
    return frozenset(before | {source for source, share in heard.items() if share.any()})


def _gap_steps(view: DayView, expectation: DayExpectation, history: SiteHistory) -> list[GapStep]:
    """Register steps over gaps that ended today, beside what those days should have given."""
    begin, end = int(view.physics.starts[0]), int(view.physics.starts[-1]) + STEP_S
    found = []
    for step in view.span.measured.steps:
        if step.subject not in view.power_w or not begin < step.end <= end or step.end - step.start < _MIN_GAP_S:
            continue
        if step.before_kwh < _LIFE_LONG_HOURS * view.span.rated_w(step.subject) / 1000.0:
            continue
        began = datetime.fromtimestamp(step.start, view.site.zone)
        # What a first day gave before the gap, or lost to another gap, is not known here: only whole days count.
        whole = began.date() if began.hour < _BEFORE_LIGHT_H else began.date() + timedelta(days=1)
        losses = [*_earlier(history, step.subject, whole, view.day), _today(view, expectation, step)]
        first = began.date()
        found.append(
            GapStep(
                step.subject, first, view.day, step.energy_kwh,
                sum(loss.kwh for loss in losses), sum(loss.low for loss in losses), tuple(losses),
            )
        )  # fmt: skip
    return found


def _earlier(history: SiteHistory, subject: str, first: date, today: date) -> list[DayLoss]:
    notes = history.between(subject, first, today - timedelta(days=1))
    return [
        DayLoss(n.day, *(k * (1.0 - n.usable) for k in (n.expected_kwh, n.expected_low_kwh, n.expected_high_kwh)))
        for n in notes
        if n.expected_kwh is not None and n.expected_low_kwh is not None and n.expected_high_kwh is not None
    ]


def _today(view: DayView, expectation: DayExpectation, step: CounterStep) -> DayLoss:
    inside = (view.physics.starts >= step.start) & (view.physics.starts < step.end)
    hidden = inside & np.isnan(view.power_w[step.subject])
    unit = expectation.units[step.subject]
    kwh, low, high = (float(np.sum(p[hidden])) * STEP_S / 3.6e6 for p in (unit.power_w, unit.low_w, unit.high_w))
    return DayLoss(view.day, kwh, low, high)
