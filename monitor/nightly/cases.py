"""The sites of an assessment pass: where each begins, what it remembers, who its neighbours are."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import Connection

from monitor.config.models import Fleet, Site
from monitor.detect.finding import Finding
from monitor.model.history import SiteHistory
from monitor.model.ladder import MAX_NEIGHBOUR_KM
from monitor.model.learned_sky import KeptLooks
from monitor.model.span import SiteSpan, kilometres
from monitor.nightly.memory import Stored, remember_all
from monitor.store import Store
from monitor.store.assessed import assessed_until, set_assessed
from monitor.store.baselines import drop_baselines
from monitor.store.daily import drop_daily
from monitor.store.findings import list_findings, rewind_findings
from monitor.store.readings import changed_days, load_tables, recorded_span
from monitor.store.skies import drop_skies, first_looks

Neighbours = dict[str, list[tuple[str, float]]]  # site id to (other site's id, km)
_MOST_NEIGHBOURS = 12


@dataclass(slots=True)
class Case:
    """A site in a pass, and everything that moves along with its nights."""

    site: Site
    first: date | None = None  # first night to assess; None: only heard as a neighbour
    raised_from: date | None = None  # what re-assessed nights find is stamped with this night
    history: SiteHistory = field(default_factory=SiteHistory)
    stored: Stored = field(default_factory=dict)  # what of the history is in the store, packed
    findings: list[Finding] = field(default_factory=list)
    # Findings of re-assessed nights, waiting to be found again under their old id and date.
    taken_back: dict[tuple[str, str], Finding] = field(default_factory=dict)
    # Days whose readings had changed when the pass began, as `changed_days` tells them.
    changed: Mapping[int, int] = field(default_factory=dict)
    span: SiteSpan | None = None
    last: date | None = None  # last night of the pass
    looks_since: date | None = None  # first night with looks
    # Looks since then by subject, while maps are built from them; read when the first build of a pass is due.
    chain: dict[str, list[KeptLooks]] | None = None


def open_cases(
    fleet: Fleet, store: Store, *, site_ids: Collection[str] | None, first: date | None, last: date
) -> list[Case]:
    """The wanted sites, taken back to where their nights begin, and their neighbours, who are only listened to."""
    wanted = [s for s in fleet.sites if site_ids is None or s.id in site_ids]
    cases = [Case(site) for site in wanted]
    with store.write() as conn:
        for case in cases:
            _find_start(conn, case, first, last)
        near = [s for s in fleet.sites if s not in wanted and any(_in_reach(s, w) for w in wanted)]
        cases += [Case(site) for site in near]
        begin = min((c.first for c in cases if c.first is not None), default=last)
        known = remember_all(conn, {c.site.id: c.first or begin for c in cases})
        for case in cases:
            case.history, case.stored = known[case.site.id]
            if case.first is not None:
                case.findings = list_findings(conn, site=case.site.id, include_cleared=True)
                case.last, case.looks_since = last, first_looks(conn, case.site.id)
    return cases


def neighbourhoods(cases: Sequence[Case]) -> Neighbours:
    """The nearest sites of each site within reach."""
    found: Neighbours = {}
    for case in cases:
        others = [
            (c.site.id, kilometres(case.site, c.site)) for c in cases if c is not case and _in_reach(c.site, case.site)
        ]
        found[case.site.id] = sorted((o for o in others if o[1] <= MAX_NEIGHBOUR_KM), key=lambda o: o[1])[
            :_MOST_NEIGHBOURS
        ]
    return found


def _in_reach(a: Site, b: Site) -> bool:
    # A degree of latitude is 111 km: rules most pairs of a large fleet out cheaply.
    return abs(a.site.latitude - b.site.latitude) < MAX_NEIGHBOUR_KM / 111.0 and kilometres(a, b) <= MAX_NEIGHBOUR_KM


def _find_start(conn: Connection, case: Case, first: date | None, last: date) -> None:
    """Set the case's first night, and take the site back to before it where it has been there already."""
    recorded = recorded_span(conn, case.site.id, besides=case.site.services)
    if recorded is None:
        return
    case.changed = changed_days(conn, case.site.id)
    earliest = _first_local_day(conn, case.site, recorded[0])
    until = assessed_until(conn, case.site.id)
    if first is not None:
        case.first = max(first, earliest)
    elif until is None:
        case.first = earliest
    else:
        changed = [_local_date(case.site, d) for d in case.changed]
        late = [day for day in changed if day <= until]
        case.first = max(min([until + timedelta(days=1), *late]), earliest)
        if late:
            case.raised_from = until + timedelta(days=1)
    if until is None or case.first > until or case.first > last:
        return
    gone = rewind_findings(conn, site=case.site.id, from_day=case.first)
    if case.raised_from is not None:
        case.taken_back = {(f.subject, f.cause): f for f in gone}
    drop_daily(conn, site=case.site.id, from_day=case.first)
    drop_baselines(conn, case.site.id, learned_after=case.first - timedelta(days=1))
    drop_skies(conn, case.site.id, from_day=case.first)
    set_assessed(conn, case.site.id, case.first - timedelta(days=1))


def _first_local_day(conn: Connection, site: Site, utc_day: int) -> date:
    """Local day of the very first reading of the home."""
    tables = load_tables(conn, site=site.id, first_day=utc_day, last_day=utc_day)
    own = [table for name, table in tables.items() if name not in site.services]
    first = min((int(table.starts[0]) for table in own if table.starts.size), default=utc_day * 86400)
    return datetime.fromtimestamp(first, UTC).astimezone(site.zone).date()


def _local_date(site: Site, utc_day: int) -> date:
    """The earlier local day that a UTC day touches."""
    return datetime.fromtimestamp(utc_day * 86400, UTC).astimezone(site.zone).date()
