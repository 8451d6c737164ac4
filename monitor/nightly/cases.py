"""The sites of an assessment pass: where each begins, what it remembers, who its neighbours are."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Values
from monitor.config.models import Fleet, Site
from monitor.detect.finding import Finding
from monitor.detect.ruling import Ruling
from monitor.model.history import SiteHistory
from monitor.model.ladder import MAX_NEIGHBOUR_KM
from monitor.model.learned_sky import KeptLooks
from monitor.model.span import SiteSpan, kilometres
from monitor.nightly.memory import Stored, remember_all
from monitor.store import Store
from monitor.store.assessed import assessed_sites, set_assessed
from monitor.store.baselines import drop_baselines
from monitor.store.daily import drop_daily
from monitor.store.findings import findings_of, rewind_findings
from monitor.store.readings import changed_days_of, load_tables, recorded_span
from monitor.store.rulings import rulings_of
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
    taken_back: list[Finding] = field(default_factory=list)
    rulings: list[Ruling] = field(default_factory=list)  # what engineers have said of the site's findings
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
    """The wanted sites, taken back to where their nights begin; they remember nothing yet (`recall`)."""
    wanted = [s for s in fleet.sites if site_ids is None or s.id in site_ids]
    cases = [Case(site) for site in wanted]
    with store.write() as conn:
        until, changed = assessed_sites(conn), changed_days_of(conn, [site.id for site in wanted])
        for case in cases:
            case.changed = changed[case.site.id]
            _find_start(conn, case, until.get(case.site.id), first, last)
            if case.first is not None:
                case.last, case.looks_since = last, first_looks(conn, case.site.id)
    return cases


def recall(store: Store, cases: Sequence[Case], befores: Mapping[str, date]) -> None:
    """Give cases what the nights before a day (by site) left behind, and findings to those that are to be assessed."""
    with store.read() as conn:
        known = remember_all(conn, {c.site.id: befores[c.site.id] for c in cases})
        findings = findings_of(conn, [c.site.id for c in cases if c.first is not None])
        rulings = rulings_of(conn, [c.site.id for c in cases])
    for case in cases:
        case.rulings = rulings.get(case.site.id, [])
        case.history, case.stored = known[case.site.id]
        case.findings = findings.get(case.site.id, [])


def forget(cases: Sequence[Case]) -> None:
    """Take back from cases what `recall` and a night gave them."""
    for case in cases:
        case.history, case.stored, case.findings, case.span, case.chain = SiteHistory(), {}, [], None, None


def neighbourhoods(cases: Sequence[Case]) -> Neighbours:
    """The nearest sites of each site within reach."""
    chart = Chart([case.site for case in cases])
    return {case.site.id: chart.nearest(case.site) for case in cases}


def listeners(fleet: Fleet, cases: Sequence[Case]) -> list[Case]:
    """Other sites of the fleet that may be neighbours of these, only to be listened to."""
    ids, chart = {case.site.id for case in cases}, Chart(fleet.sites)
    near = {other for case in cases for other in chart.within_reach(case.site)} - ids
    return [Case(site) for site in fleet.sites if site.id in near]


class Chart:
    """Where sites lie, to find the near ones of a large fleet quickly."""

    def __init__(self, sites: Sequence[Site]) -> None:
        self.by_id = {site.id: site for site in sites}
        self._sites = sorted(sites, key=lambda s: s.site.latitude)
        self._latitudes = np.array([s.site.latitude for s in self._sites])
        self._longitudes = np.array([s.site.longitude for s in self._sites])

    def within_reach(self, site: Site) -> list[str]:
        """Other sites at most as far away as neighbours may be."""
        return [other for other, _ in self._known(site, most=None)]

    def nearest(self, site: Site) -> list[tuple[str, float]]:
        """The nearest other sites within reach and how far they are [km]; of equally far ones the first by name."""
        return self._known(site, most=2 * _MOST_NEIGHBOURS)[:_MOST_NEIGHBOURS]

    def _known(self, site: Site, most: int | None) -> list[tuple[str, float]]:
        height = MAX_NEIGHBOUR_KM / 111.0  # a degree of latitude is 111 km
        low, high = np.searchsorted(self._latitudes, [site.site.latitude - height, site.site.latitude + height])
        rough = _rough_km(site, self._latitudes[low:high], self._longitudes[low:high])
        near = np.argsort(rough, kind="stable")
        near = low + near[: np.count_nonzero(rough <= 1.01 * MAX_NEIGHBOUR_KM)]
        # The site itself is among them; the distance that counts is that of the pair alone.
        others = [self._sites[i] for i in (near if most is None else near[: most + 1]) if self._sites[i].id != site.id]
        found = [(other.id, kilometres(site, other)) for other in others]
        return sorted((f for f in found if f[1] <= MAX_NEIGHBOUR_KM), key=lambda f: (f[1], f[0]))


def _rough_km(site: Site, latitudes: Values, longitudes: Values) -> Values:
    east = (longitudes - site.site.longitude + 180.0) % 360.0 - 180.0
    shrink = np.cos(np.radians(0.5 * (latitudes + site.site.latitude)))
    return 111.2 * np.hypot(latitudes - site.site.latitude, east * shrink)


def _find_start(conn: Connection, case: Case, until: date | None, first: date | None, last: date) -> None:
    """Set the case's first night, and take the site back to before it where it has been there already."""
    late = [day for d in case.changed if until is not None and (day := _local_date(case.site, d)) <= until]
    if first is None and until is not None and not late:
        case.first = until + timedelta(days=1)  # as on nearly every night, and nothing to look up
        return
    recorded = recorded_span(conn, case.site.id, besides=case.site.services)
    if recorded is None:
        return
    earliest = _first_local_day(conn, case.site, recorded[0])
    if first is not None:
        case.first = max(first, earliest)
    elif until is None:
        case.first = earliest
    else:
        case.first = max(min([until + timedelta(days=1), *late]), earliest)
        if late:
            case.raised_from = until + timedelta(days=1)
    if until is None or case.first > until or case.first > last:
        return
    gone = rewind_findings(conn, site=case.site.id, from_day=case.first)
    if case.raised_from is not None:
        case.taken_back = gone
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
