"""The nightly assessment: every site, night after night, each seeing only what had been recorded by then."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import TypeVar

from ingest.errors import AftercareError, StoreUnavailable
from monitor.config.models import Fleet
from monitor.detect.evening import idle_today, region, site_night
from monitor.detect.finding import Finding
from monitor.detect.life import Change
from monitor.detect.ruling import epochs_on
from monitor.detect.snow_cover import snow_possible
from monitor.model.dayview import DayExpectation, DayView, day_view, disbelieve, expect, site_witness
from monitor.model.span import SiteSpan, site_span, utc_days
from monitor.nightly.cases import Case, Chart, Neighbours, forget, listeners, neighbourhoods, open_cases, recall
from monitor.nightly.doubts import doubted_after
from monitor.nightly.groups import groups_of
from monitor.nightly.judging import Outcome, judge, keep
from monitor.nightly.memory import keep_memory, note_of
from monitor.store import Store
from monitor.store.assessed import set_all_assessed
from monitor.store.daily import write_daily
from monitor.store.findings import add_events, finding_event, save_findings
from monitor.store.readings import forget_changes, load_blocks, open_tables
from monitor.store.skies import write_looks

T = TypeVar("T")

# More sites than that are assessed group by group.
SITES_AT_ONCE = 300
# So many site-days are held in memory at once; a span is at most a month.
_SITE_DAYS_AT_ONCE = 1500
_MOST_DAYS = 31


@dataclass(frozen=True, slots=True)
class AssessReport:
    """What a pass did."""

    nights: int
    site_nights: int
    raised: tuple[Finding, ...]
    cleared: tuple[Finding, ...]
    failed: tuple[str, ...]  # sentences of sites whose step failed
    assessed_until: date | None


@dataclass(slots=True)
class _Tally:
    """Builds an AssessReport."""

    nights: int = 0
    site_nights: int = 0
    until: date | None = None
    raised: dict[str, Finding] = field(default_factory=dict)
    cleared: dict[str, Finding] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)

    def take(self, change: Change) -> None:
        finding = change.finding
        if change.what in ("raised", "reopened") or finding.id in self.raised:
            self.raised[finding.id] = finding
        if change.what == "cleared":
            self.cleared[finding.id] = finding
        elif finding.state == "open":
            self.cleared.pop(finding.id, None)

    def close(self, day: date) -> None:
        """A night is over for all sites."""
        self.nights += 1
        self.until = day

    def report(self) -> AssessReport:
        found = (tuple(self.raised.values()), tuple(self.cleared.values()), tuple(self.failed.values()))
        return AssessReport(self.nights, self.site_nights, *found, self.until)


@dataclass(frozen=True, slots=True)
class _Pass:
    """What a pass goes by."""

    fleet: Fleet
    store: Store
    cases: Sequence[Case]
    last: date
    tally: _Tally
    progress: Callable[[str], None]
    should_stop: Callable[[], bool]
    at_once: int


def assess(
    fleet: Fleet,
    store: Store,
    *,
    site_ids: Collection[str] | None,
    first: date | None,
    last: date,
    progress: Callable[[str], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    at_once: int = SITES_AT_ONCE,
) -> AssessReport:
    """Assess nights up to `last` (a local day, included).

    `first` replays every night from there on. Without it each site goes on from its last assessed night, or from an
    earlier one whose readings have changed since. One transaction holds all that a night found of a group of sites:
    more sites than `at_once` are assessed in groups, each night of all of them before the next one, with the same
    outcome.
    """
    cases = open_cases(fleet, store, site_ids=site_ids, first=first, last=last)
    tally = _Tally()
    starts = [c.first for c in cases if c.first is not None and c.first <= last]
    if not starts:
        return tally.report()
    going = _by_groups if len(cases) > at_once else _in_one_go
    if going(_Pass(fleet, store, cases, last, tally, progress or _mute, should_stop, at_once), min(starts)):
        _close_up(store, cases, last, tally)
    return tally.report()


def _mute(_text: str) -> None:
    """Tell nobody."""


def _in_one_go(what: _Pass, start: date) -> bool:
    """Nights of sites that all fit into memory; False when stopped."""
    store, last, tally = what.store, what.last, what.tally
    cases = [*what.cases, *listeners(what.fleet, what.cases)]
    recall(store, cases, {c.site.id: c.first or start for c in cases})
    near = neighbourhoods(cases)
    for begin, end in _spans(start, last, len(cases)):
        _load_spans(store, cases, begin, end, tally)
        for n in range((end - begin).days + 1):
            if what.should_stop():
                return False
            day = begin + timedelta(days=n)
            _one_night(store, cases, near, day, tally, ends=day == last)
            tally.close(day)
        what.progress(f"assessed until {end.isoformat()}")
    return True


def _by_groups(what: _Pass, start: date) -> bool:
    """Night after night, each group by group: recalled, assessed and forgotten; False when stopped."""
    groups = groups_of(what.cases, what.at_once)
    chart = Chart(what.fleet.sites)
    for n in range((what.last - start).days + 1):
        day = start + timedelta(days=n)
        for group in groups:
            if what.should_stop():
                return False
            due = [c for c in group if c.first is not None and c.first <= day]
            if due:
                _group_night(what, chart, due, day)
        what.tally.close(day)
        what.progress(f"assessed until {day.isoformat()}")
    return True


def _group_night(what: _Pass, chart: Chart, due: Sequence[Case], day: date) -> None:
    """A night of a group, beside the neighbours of its sites, and where snow may lie beside theirs too."""
    near = {c.site.id: chart.nearest(c.site) for c in due}
    around = _named(chart, near, besides=due)
    _load(what, [*due, *around], day)
    snowy = [c for c in around if c.span is not None and snow_possible(_look(c, day), c.history)]
    beyond = {c.site.id: chart.nearest(c.site) for c in snowy}
    further = _named(chart, beyond, besides=[*due, *around])
    _load(what, further, day)
    cases = [*due, *around, *further]
    _one_night(
        what.store, cases, near | beyond, day, what.tally, ends=True, elsewhere=lambda: _anyone_heard(what, cases, day)
    )
    forget(due)


def _named(chart: Chart, near: Neighbours, besides: Sequence[Case]) -> list[Case]:
    """New cases for neighbours who are not among some cases."""
    names = {other for others in near.values() for other, _ in others} - {c.site.id for c in besides}
    return [Case(chart.by_id[name]) for name in sorted(names)]


def _load(what: _Pass, cases: Sequence[Case], day: date) -> None:
    recall(what.store, cases, {c.site.id: day for c in cases})
    _load_spans(what.store, cases, day, day, what.tally)


def _anyone_heard(what: _Pass, besides: Sequence[Case], day: date) -> bool:
    """Whether any other site of the pass was heard on a day."""
    here = {c.site.id for c in besides}
    others = [Case(c.site) for c in what.cases if c.site.id not in here]
    for at in range(0, len(others), what.at_once):
        some = others[at : at + what.at_once]
        _load_spans(what.store, some, day, day, what.tally)
        if any(_is_heard(c.span, day) for c in some if c.span is not None):
            return True
        forget(some)
    return False


def _spans(first: date, last: date, sites: int) -> Iterator[tuple[date, date]]:
    length = max(1, min(_MOST_DAYS, _SITE_DAYS_AT_ONCE // max(sites, 1)))
    begin = first
    while begin <= last:
        end = min(begin + timedelta(days=length - 1), last)
        yield begin, end
        begin = end + timedelta(days=1)


def _load_spans(store: Store, cases: Sequence[Case], begin: date, end: date, tally: _Tally) -> None:
    for case in cases:
        case.span = None
    with store.read() as conn:
        blocks = load_blocks(conn, {c.site.id: utc_days(c.site, begin, end) for c in cases})
    for case in cases:
        if case.site.id in tally.failed:
            continue
        try:
            case.span = site_span(case.site, open_tables(blocks.pop(case.site.id)), begin, end)
        except StoreUnavailable:
            raise
        except Exception as error:  # one site's trouble must not keep the others from their night
            _fail(tally, case, error)


def _one_night(
    store: Store,
    cases: Sequence[Case],
    near: Neighbours,
    day: date,
    tally: _Tally,
    *,
    ends: bool,
    elsewhere: Callable[[], bool] | None = None,
) -> None:
    """All sites' night: look, listen to the neighbours, judge, keep.

    `near` names the sites of which more than a look is needed. `ends` when the cases are forgotten afterwards;
    `elsewhere` tells of a group whether anybody outside was heard, should nobody be inside.
    """
    for case in cases:
        if case.rulings:
            case.history.epochs = epochs_on(case.rulings, day)
    views = {
        c.site.id: view for c in cases if c.span is not None and (view := _guarded(tally, c, _look, c, day)) is not None
    }

    expected = {
        c.site.id: found
        for c in cases
        if c.site.id in views
        and c.site.id in near
        and (found := _guarded(tally, c, _expect, views, near, c)) is not None
    }
    # Through snow comes a trickle of light, of any size.
    for case in cases:
        if case.site.id in expected and not snow_possible(views[case.site.id], case.history):
            views[case.site.id] = disbelieve(views[case.site.id], expected[case.site.id], case.history)
    heard = any(_is_heard(view.span, day) for view in views.values()) or (elsewhere is not None and elsewhere())
    stopped = not heard and (len(views) >= 3 or elsewhere is not None)
    nights = {
        c.site.id: night
        for c in cases
        if c.site.id in expected
        and (night := _guarded(tally, c, site_night, views[c.site.id], expected[c.site.id], c.history, c.findings,
                               arrivals_stopped=stopped)) is not None
    }  # fmt: skip
    idle = {site_id: idle_today(night) for site_id, night in nights.items() if night.snow_possible}
    histories = {c.site.id: c.history for c in cases}
    outcomes: list[tuple[Case, Outcome]] = []
    for case in cases:
        if case.site.id not in nights or case.first is None or day < case.first:
            continue
        beside = [(idle.get(other), histories[other]) for other, _ in near[case.site.id]]
        night = replace(nights[case.site.id], region=region(beside, day), beside=[past for _, past in beside])
        outcome = _guarded(tally, case, judge, store, case, views[case.site.id], expected[case.site.id], night)
        if outcome is not None:
            outcomes.append((case, outcome))
    with store.write() as conn:
        write_daily(conn, [row for _, outcome in outcomes for row in outcome.rows])
        set_all_assessed(conn, [case.site.id for case, _ in outcomes], day)
        for case, outcome in outcomes:
            keep(conn, case, day, outcome)
            case.history.add(note_of(row) for row in outcome.rows)
        write_looks(conn, {case.site.id: outcome.looks for case, outcome in outcomes if outcome.looks}, day)
        if ends:
            keep_memory(conn, [(case.site.id, case.history, case.stored) for case, _ in outcomes])
    for case, outcome in outcomes:
        _move_on(case, day, outcome, tally)


def _guarded(tally: _Tally, case: Case, step: Callable[..., T], *given: object, **named: object) -> T | None:
    if case.site.id in tally.failed:
        return None
    try:
        return step(*given, **named)
    except Exception as error:  # one site's trouble must not keep the others from their night
        _fail(tally, case, error)
        return None


def _fail(tally: _Tally, case: Case, error: Exception) -> None:
    kind = "" if isinstance(error, AftercareError) else f"{type(error).__name__}: "
    tally.failed[case.site.id] = f"{case.site.id}: the assessment stopped: {kind}{error}"


def _look(case: Case, day: date) -> DayView:
    assert case.span is not None
    return day_view(case.span, day, case.history)


def _expect(views: dict[str, DayView], near: Neighbours, case: Case) -> DayExpectation:
    view = views[case.site.id]
    foreign = [
        site_witness(views[other], km, view.physics.starts)
        for other, km in near.get(case.site.id, ())
        if other in views
    ]
    return expect(view, foreign)


def _is_heard(span: SiteSpan, day: date) -> bool:
    """Whether there was any reading; when nobody of several sites is heard, the trouble is at our own door."""
    return any(share[span.days[day]].any() for share in span.measured.heard.values())


def _move_on(case: Case, day: date, outcome: Outcome, tally: _Tally) -> None:
    case.history.frozen |= {subject: (day, gains) for subject, gains in outcome.settled.items()}
    case.history.doubted = doubted_after(case.history.doubted, outcome.papers)
    case.history.skies |= {sky.subject: sky for sky in outcome.skies}
    if outcome.looks and case.looks_since is None:
        case.looks_since = day
    changed = {c.finding.id: c.finding for c in outcome.changes}
    case.findings = [f for f in case.findings if f.id not in changed] + list(changed.values())
    for change in outcome.changes:
        case.taken_back = [f for f in case.taken_back if f.id != change.finding.id]
        tally.take(change)
    tally.site_nights += 1


def _close_up(store: Store, cases: Sequence[Case], last: date, tally: _Tally) -> None:
    """Findings that late readings have disproved are closed, not forgotten; the days looked at are off the list."""
    seen: dict[str, dict[int, int]] = {}
    with store.write() as conn:
        for case in cases:
            if case.first is None or case.site.id in tally.failed:
                continue
            for finding in case.taken_back:
                closed = replace(
                    finding, state="cleared", cleared=finding.cleared or last, lost_kwh=0.0, lost_kwh_low=0.0,
                    lost_kwh_high=0.0, lost_money=None if finding.lost_money is None else 0.0,
                    summary="Readings that arrived later showed no trouble: " + finding.summary,
                )  # fmt: skip
                save_findings(conn, [closed])
                add_events(conn, [finding_event(closed, last, "disproved")])
                tally.cleared[closed.id] = closed
            _, last_day = utc_days(case.site, last, last)
            seen[case.site.id] = {d: mark for d, mark in case.changed.items() if d < last_day}
        forget_changes(conn, seen)


def yesterday(now: int, fleet: Fleet) -> date:
    """The last local day that is over, in the fleet's zone."""
    return datetime.fromtimestamp(now, UTC).astimezone(fleet.zone).date() - timedelta(days=1)
