"""The nightly assessment as a unit of work: which nights, and what is said of it afterwards."""

from __future__ import annotations

from datetime import date

from monitor.clock import Clock, local_date, yesterday
from monitor.config import Fleet
from monitor.jobs.work import ShouldStop, Tell, never, noted_run
from monitor.nightly import AssessReport, assess
from monitor.store import Store
from monitor.store.readings import load_tables, recorded_span

_HALF_DAY_S = 43_200


def assess_fleet(
    fleet: Fleet,
    store: Store,
    *,
    now: int,
    site_ids: frozenset[str] | None = None,
    first: date | None = None,
    until: date | None = None,
    progress: Tell | None = None,
    should_stop: ShouldStop = never,
) -> AssessReport:
    """Assess the nights that are due, or replay them from `first` on.

    Without `until`, a replay ends with the last day that has readings past noon, and a catch-up with yesterday in the
    fleet's zone. A day that is not over is never assessed.
    """
    over = yesterday(now, fleet.zone)
    wanted = until or (last_recorded_day(fleet, store, site_ids) if first else over) or over
    return assess(
        fleet,
        store,
        site_ids=site_ids,
        first=first,
        last=min(wanted, over),
        progress=progress,
        should_stop=should_stop,
    )


def assess_noted(
    fleet: Fleet, store: Store, clock: Clock, *, first: date | None = None, until: date | None = None,
    progress: Tell | None = None, should_stop: ShouldStop = never,
) -> AssessReport:  # fmt: skip
    """Assess every site, noted in the store as a run of the job."""
    with noted_run(store, "assess", clock) as outcome:
        report = assess_fleet(
            fleet, store, now=clock(), first=first, until=until, progress=progress, should_stop=should_stop
        )
        outcome.message = "; ".join([summary(report), *report.failed])
        outcome.ok = not report.failed and not should_stop()
    return report


def last_recorded_day(fleet: Fleet, store: Store, site_ids: frozenset[str] | None) -> date | None:
    """The last local day that any of the sites has readings of past noon; None when there are no readings.

    An export of UTC days ends in the first hours of a local day that nobody meant to tell of.
    """
    days = []
    with store.read() as conn:
        for site in fleet.sites:
            if site_ids is not None and site.id not in site_ids:
                continue
            span = recorded_span(conn, site.id, besides=site.services)
            if span is not None:
                tables = load_tables(conn, site=site.id, first_day=span[1], last_day=span[1])
                last = max(int(table.starts[-1]) for name, table in tables.items() if name not in site.services)
                days.append(local_date(last - _HALF_DAY_S, site.zone))
    return max(days, default=None)


def summary(report: AssessReport) -> str:
    """One line about a pass."""
    until = f", assessed until {report.assessed_until}" if report.assessed_until else ""
    failed = f", {len(report.failed)} failed" if report.failed else ""
    return (
        f"{report.nights} nights, {report.site_nights} site-nights{until}: "
        f"{len(report.raised)} raised, {len(report.cleared)} cleared{failed}"
    )
