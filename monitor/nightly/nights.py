"""The nightly assessment: every site, night after night, each seeing only what had been recorded by then."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import TypeVar

import numpy as np
from sqlalchemy import Connection

from ingest.errors import AftercareError, StoreUnavailable
from monitor.config.models import Fleet
from monitor.detect.contest import settle
from monitor.detect.evening import at_nothing, idle_today, region, site_night
from monitor.detect.finding import Finding
from monitor.detect.life import Change, advance
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.observe import observe
from monitor.detect.on_paper import hedged
from monitor.detect.ruling import epochs_on, rule, silenced
from monitor.detect.shading_growth import LOOK_BACK_DAYS, is_look_night
from monitor.detect.snow_cover import snow_possible
from monitor.detect.table import detector_table, spoils
from monitor.detect.told import told_by
from monitor.model.dayview import DayExpectation, DayView, day_view, disbelieve, expect, site_witness
from monitor.model.gain import Gains
from monitor.model.learned_sky import KeptLooks, LearnedSky, is_build_night, next_build_night
from monitor.model.span import SiteSpan, site_span, utc_days
from monitor.nightly.cases import Case, Chart, Neighbours, forget, listeners, neighbourhoods, open_cases, recall
from monitor.nightly.doubts import doubted_after, plane_baselines
from monitor.nightly.groups import groups_of
from monitor.nightly.memory import keep_memory, note_of
from monitor.nightly.places import place_baselines
from monitor.nightly.rows import daily_rows
from monitor.nightly.skies import learn_skies, night_looks, read_chain
from monitor.store import Store
from monitor.store.assessed import set_all_assessed
from monitor.store.baselines import Baseline, write_baseline
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import Loss, add_events, finding_event, save_findings, write_losses
from monitor.store.readings import forget_changes, load_blocks, open_tables
from monitor.store.skies import as_stored, write_looks, write_maps

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


@dataclass(frozen=True, slots=True)
class _Outcome:
    """All that a night found out about one site."""

    rows: list[DailyRow]
    changes: list[Change]
    settled: dict[str, Gains]
    looks: list[KeptLooks]
    skies: list[LearnedSky]
    papers: list[Baseline]  # what was looked at of the site file


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
    outcomes: list[tuple[Case, _Outcome]] = []
    for case in cases:
        if case.site.id not in nights or case.first is None or day < case.first:
            continue
        beside = [(idle.get(other), histories[other]) for other, _ in near[case.site.id]]
        night = replace(nights[case.site.id], region=region(beside, day), beside=[past for _, past in beside])
        outcome = _guarded(tally, case, _judge, store, case, views[case.site.id], expected[case.site.id], night)
        if outcome is not None:
            outcomes.append((case, outcome))
    with store.write() as conn:
        write_daily(conn, [row for _, outcome in outcomes for row in outcome.rows])
        set_all_assessed(conn, [case.site.id for case, _ in outcomes], day)
        for case, outcome in outcomes:
            _keep(conn, case, day, outcome)
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


def _by_right_clocks(night: SiteNight, looks: Sequence[KeptLooks]) -> list[KeptLooks]:
    """Looks without those of days whose stamps are known to be wrong: the sun stood elsewhere."""
    right = night.by_right_clocks(np.array([one.day.toordinal() for one in looks], dtype=np.int64))
    return [one for one, is_right in zip(looks, right.tolist(), strict=True) if is_right]


def _judge(store: Store, case: Case, view: DayView, expectation: DayExpectation, night: SiteNight) -> _Outcome:
    if case.history.skies and is_look_night(case.site.id, view.day):
        with store.read() as conn:
            chain = read_chain(conn, case.site.id, view.day, nights=LOOK_BACK_DAYS)
        night = replace(night, looks={subject: _by_right_clocks(night, looks) for subject, looks in chain.items()})
    night = observe(night)
    found: list[Verdict] = [v for detector in detector_table().values() for v in detector.find(night)]
    found = hedged(night, found)
    verdicts = silenced(night, settle(case.site, found, case.findings), case.rulings, case.findings)
    raised = max(view.day, case.raised_from or view.day)
    changes = advance(
        night, verdicts, case.findings, suspected=case.history.suspected, raised=raised, taken_back=case.taken_back,
        judged=[r.known for r in case.rulings],
    )  # fmt: skip
    changes += rule(night, changes, case.findings, case.rulings)
    troubled = _troubled(case, changes)
    frozen = {s for s in case.history.frozen if case.history.is_settled(s)}
    rows = daily_rows(view, expectation, night, verdicts, case.history, troubled=troubled, settled=frozen)
    learned = view.in_the_open.gains
    settled = {s: g for s, g in learned.items() if g.complete and s not in frozen and s in view.power_w}
    looks = night_looks(view, night, at_nothing=at_nothing(night), troubled=troubled)
    findings = list(({f.id: f for f in case.findings} | {c.finding.id: c.finding for c in changes}).values())
    since = case.looks_since or view.day
    papers = [
        *plane_baselines(store, case.site, findings, since=since, night=view.day),
        *place_baselines(store, case.site, since=since, night=view.day),
    ]
    return _Outcome(rows, changes, settled, looks, _skies(store, case, view.day, looks, changes), papers)


def _skies(
    store: Store, case: Case, day: date, looks: Sequence[KeptLooks], changes: Sequence[Change]
) -> list[LearnedSky]:
    """The maps that are due tonight, as the store will give them back."""
    since = case.looks_since or day
    if case.chain is None and is_build_night(since, day):
        with store.read() as conn:
            case.chain = read_chain(conn, case.site.id, day)
    if case.chain is None:
        return []
    for one in looks:
        case.chain.setdefault(one.subject, []).append(one)
    findings = {f.id: f for f in case.findings} | {c.finding.id: c.finding for c in changes}
    skies = learn_skies(case.site, case.history, list(findings.values()), case.chain, since=since, night=day)
    due = next_build_night(since, day)
    if due is None or case.last is None or due > case.last:  # a fleet's looks are too many to keep for nothing
        case.chain = None
    return [as_stored(sky) for sky in skies]


def _troubled(case: Case, changes: Sequence[Change]) -> set[str]:
    """Units with an open finding of their own, or whose inverter has one: their baselines do not learn tonight."""
    findings = {f.id: f for f in case.findings} | {c.finding.id: c.finding for c in changes}
    subjects = {f.subject for f in findings.values() if f.state == "open" and spoils(f)}
    if "site" in subjects:
        return (
            subjects | {f"string:{s.id}" for s in case.site.string} | {f"inverter:{i.id}" for i in case.site.inverter}
        )
    told = told_by(case.site)
    subjects |= {s for source in subjects if source.startswith("source:") for s in told[source.removeprefix("source:")]}
    subjects |= {f"string:{s.removeprefix('module:').rpartition('/')[0]}" for s in subjects if s.startswith("module:")}
    wired = {f"string:{s.id}" for s in case.site.string if f"inverter:{s.inverter}" in subjects}
    fed = {f"inverter:{s.inverter}" for s in case.site.string if f"string:{s.id}" in subjects}
    return subjects | wired | fed


def _keep(conn: Connection, case: Case, day: date, outcome: _Outcome) -> None:
    save_findings(conn, list({c.finding.id: c.finding for c in outcome.changes}.values()))
    write_losses(
        conn,
        [Loss(c.finding.id, x.day, x.kwh, x.low, x.high, day) for c in outcome.changes for x in c.losses],
    )
    add_events(conn, [finding_event(c.finding, day, c.what) for c in outcome.changes])
    for subject, gains in outcome.settled.items():
        write_baseline(conn, _baseline(case, subject, day, gains))
    for look in outcome.papers:
        write_baseline(conn, look)
    write_maps(conn, case.site.id, outcome.skies)


def _baseline(case: Case, subject: str, day: date, gains: Gains) -> Baseline:
    learned = case.history.learning_days(subject)
    epoch = case.history.epochs.get(subject)
    values = {"clear_sky": gains.clear_sky, "sensor": gains.sensor, "weather": gains.weather, "sigma": gains.sigma}
    return Baseline(
        site=case.site.id,
        subject=subject,
        epoch=epoch.number if epoch is not None else 0,
        frozen_on=day,
        learned_from=min(learned, default=day),
        learned_until=day,
        values=values,
    )


def _move_on(case: Case, day: date, outcome: _Outcome, tally: _Tally) -> None:
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
