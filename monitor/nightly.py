"""The nightly assessment: every site, night after night, each seeing only what had been recorded by then."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from ingest.errors import AftercareError
from monitor.config.models import Fleet, Site
from monitor.dayrows import daily_rows, note_of
from monitor.detect.evening import at_nothing, region, site_night
from monitor.detect.finding import Finding
from monitor.detect.life import Change, advance
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.table import detector_table
from monitor.model.dayview import DayExpectation, DayView, day_view, expect, site_witness
from monitor.model.gain import Gains
from monitor.model.history import SiteHistory, memory_start
from monitor.model.ladder import MAX_NEIGHBOUR_KM
from monitor.model.span import SiteSpan, kilometres, site_span, utc_days
from monitor.store import Store
from monitor.store.assessed import assessed_until, set_assessed
from monitor.store.baselines import Baseline, drop_baselines, read_baselines, write_baseline
from monitor.store.daily import DailyRow, drop_daily, read_daily, write_daily
from monitor.store.findings import Loss, add_events, list_findings, rewind_findings, save_findings, write_losses
from monitor.store.readings import changed_days, forget_changed_days, load_tables, recorded_span

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
class _Case:
    """A site in a pass: where its nights begin, and everything that moves along with them."""

    site: Site
    first: date | None  # first night to assess; None: only heard as a neighbour
    raised_from: date | None  # findings of re-assessed nights are stamped with this night
    history: SiteHistory = field(default_factory=SiteHistory)
    findings: list[Finding] = field(default_factory=list)
    lost: dict[tuple[str, str], Finding] = field(default_factory=dict)  # taken back, waiting to be found again
    span: SiteSpan | None = None


def assess(
    fleet: Fleet,
    store: Store,
    *,
    site_ids: Collection[str] | None,
    first: date | None,
    last: date,
    now: int,
    progress: Callable[[str], None] | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> AssessReport:
    """Assess nights up to `last` (a local day, included).

    `first` replays every night from there on. Without it each site goes on from its last assessed night, or from an
    earlier one whose readings have changed since. One transaction a night holds all that the night found.
    """
    cases = _open_cases(fleet, store, site_ids, first, last)
    tally = _Tally()
    starts = [c.first for c in cases if c.first is not None]
    if not starts:
        return tally.report(last if cases else None)
    near = _neighbourhoods(cases)
    for begin, end in _spans(min(starts), last, len(cases)):
        _load_spans(store, cases, begin, end, tally)
        for n in range((end - begin).days + 1):
            if should_stop():
                return tally.report(begin + timedelta(days=n - 1))
            _one_night(store, cases, near, begin + timedelta(days=n), tally)
        if progress is not None:
            progress(f"assessed until {end.isoformat()}")
    _close_lost(store, cases, last, tally)
    with store.write() as conn:
        for case in cases:
            if case.first is not None:
                forget_changed_days(conn, case.site.id, _assessed_changes(changed_days(conn, case.site.id), case, last))
    return tally.report(last)


@dataclass(slots=True)
class _Tally:
    nights: int = 0
    site_nights: int = 0
    raised: dict[str, Finding] = field(default_factory=dict)
    cleared: dict[str, Finding] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)

    def take(self, change: Change) -> None:
        finding = change.finding
        if change.what in ("raised", "reopened"):
            self.raised[finding.id] = finding
            self.cleared.pop(finding.id, None)
        elif finding.id in self.raised:
            self.raised[finding.id] = finding
        if change.what == "cleared":
            self.cleared[finding.id] = finding

    def report(self, until: date | None) -> AssessReport:
        return AssessReport(
            self.nights,
            self.site_nights,
            tuple(self.raised.values()),
            tuple(self.cleared.values()),
            tuple(self.failed.values()),
            until,
        )


def _open_cases(
    fleet: Fleet, store: Store, site_ids: Collection[str] | None, first: date | None, last: date
) -> list[_Case]:
    """The wanted sites with where they begin, and their neighbours, who are only listened to."""
    wanted = [s for s in fleet.sites if site_ids is None or s.id in site_ids]
    heard = [s for s in fleet.sites if s not in wanted and any(_in_reach(s, w) for w in wanted)]
    cases = []
    with store.write() as conn:
        for site in wanted:
            case = _Case(site, None, None)
            span = recorded_span(conn, site.id)
            if span is not None:
                _rewind(conn, case, span, first, last)
            cases.append(case)
        cases += [_Case(site, None, None) for site in heard]
        begin = min((c.first for c in cases if c.first is not None), default=last)
        for case in cases:
            _remember(conn, case, case.first or begin)
    return cases


def _rewind(conn: object, case: _Case, recorded: tuple[int, int], first: date | None, last: date) -> None:
    raise NotImplementedError
