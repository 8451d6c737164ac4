"""From the store to digest data: the only place where reports read the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from monitor.config.models import Fleet, Site
from monitor.cron import cron_trigger
from monitor.detect.finding import Finding
from monitor.report.digest import Edition, FindingCard, FindingChart, HomeownerDigest, ServiceDigest
from monitor.report.energies import DayFigures, daily_energy, day_span
from monitor.report.homeowner import YEAR, concerns, health, matters, month_days, month_total, year_and_quote
from monitor.report.ranking import NextYear
from monitor.report.service import (
    CHARTS,
    LONGEST_CHART,
    chart_days,
    chart_subject,
    finding_card,
    finding_chart,
    ranked,
    sibling_line,
    sibling_of,
    silence_line,
)
from monitor.store.daily import DailyRow, read_daily
from monitor.store.ledger import FileRecord, list_files
from monitor.store.rulings import told_findings

QUIET_DAYS = 2  # days without any readings, after which a site is told to be without data
LEDGER_LOOK = 5000  # newest files looked through for what was set aside
WHOLE_DAY = 0.9  # share of a day's expectation that has readings, from which on the day is compared
LONGEST_GAP = timedelta(days=31)  # between two digests


def gather_service(
    conn: Connection, fleet: Fleet, *, as_of: date, generated: datetime, values: Mapping[str, NextYear]
) -> ServiceDigest:
    """The service team's digest after the night of `as_of`; `values` is what findings are worth next year, by id."""
    since_last = first_untold_day(fleet, as_of)
    sites = {site.id: site for site in fleet.sites}
    every = (f for site_id in sites for f in told_findings(conn, site=site_id, include_cleared=True))
    known = ranked([_as_it_stood(f, as_of) for f in every if f.raised <= as_of], values)
    standing = [f for f in known if f.state == "open" and f.level != "note"]
    cleared = [f for f in known if f.cleared is not None and f.cleared >= since_last and f.level != "note"]
    charts = _charts(conn, sites, [*standing, *cleared], as_of)
    silent = {site.id: _last_heard(conn, site, as_of) for site in fleet.sites if not _is_heard(conn, site, as_of)}

    def cards(findings: Sequence[Finding]) -> tuple[FindingCard, ...]:
        return tuple(
            finding_card(f, sites[f.site], since_last=since_last, chart=charts.get(f.id), ahead=values.get(f.id))
            for f in findings
        )

    told = {f.site for f in (*standing, *cleared)} | silent.keys()
    return ServiceDigest(
        edition=Edition(
            kind="service", about="fleet", period=as_of.isoformat(), written=generated.astimezone(fleet.zone)
        ),
        fleet=fleet.settings.fleet.name,
        as_of=as_of,
        since_last=since_last,
        currency=fleet.settings.fleet.currency,
        sites=len(sites),
        open=cards(standing),
        cleared=cards(cleared),
        notes=cards([f for f in known if f.state == "open" and f.level == "note"]),
        quiet=tuple(site.site.name for site in fleet.sites if site.id not in told),
        without_data=tuple(silence_line(sites[site_id], last) for site_id, last in silent.items()),
        set_aside=(*fleet.faults, *_set_aside(conn, sites, since=_start_of(since_last, fleet.zone))),
        more_charts=len(charts) == CHARTS,
    )


def gather_homeowner(
    conn: Connection, fleet: Fleet, site: Site, *, month: tuple[int, int], generated: datetime
) -> HomeownerDigest:
    """One month of one roof; reads nothing but this site's figures."""
    first, last = month_days(*month)
    rows = read_daily(conn, site=site.id, subject="site", first=last - YEAR + timedelta(days=1), last=last)
    figures = figures_by_day(rows)
    daily = daily_energy(figures, day_span(first, last))
    total = month_total(daily, [row.irradiation_source for row in rows if row.day >= first])
    found = concerns(told_findings(conn, site=site.id, include_cleared=True), first, last)
    return HomeownerDigest(
        edition=Edition(
            kind="homeowner", about=site.id, period=f"{first:%Y-%m}", written=generated.astimezone(site.zone)
        ),
        firm=fleet.settings.fleet.name,
        site=site.site.name,
        first=first,
        daily=daily,
        total=total,
        last_heard=max((row.day for row in rows if row.measured_kwh is not None), default=None),
        year=year_and_quote(figures, last, site.site.quoted_kwh_per_year),
        health=health(total, found),
        matters=matters(found),
        contact=_contact(fleet),
    )


def first_untold_day(fleet: Fleet, as_of: date) -> date:
    """First day that the service digest before did not tell: the day on which that one was due."""
    trigger = cron_trigger(fleet.settings.schedule.service_digest, fleet.zone)
    end = _start_of(as_of + timedelta(days=1), fleet.zone)
    at, last = _start_of(as_of - LONGEST_GAP, fleet.zone), None
    while (due := trigger.get_next_fire_time(None, at)) is not None and due < end:
        last, at = due.date(), due + timedelta(minutes=1)
    return last or as_of


def _as_it_stood(finding: Finding, as_of: date) -> Finding:
    """A finding that was closed only after `as_of` was open then."""
    if finding.cleared is not None and finding.cleared > as_of:
        return replace(finding, state="open", cleared=None)
    return finding


def _charts(
    conn: Connection, sites: Mapping[str, Site], findings: Sequence[Finding], as_of: date
) -> dict[str, FindingChart]:
    """Pictures of the first findings that can have one."""
    charts: dict[str, FindingChart] = {}
    for finding in findings:
        if len(charts) == CHARTS:
            break
        chart = _chart(conn, sites[finding.site], finding, as_of)
        if chart is not None:
            charts[finding.id] = chart
    return charts


def _chart(conn: Connection, site: Site, finding: Finding, as_of: date) -> FindingChart | None:
    subject = chart_subject(finding)
    if subject is None:
        return None
    first, last = chart_days(finding, as_of)
    days = day_span(first, last)
    daily = daily_energy(figures_by_day(read_daily(conn, site=site.id, subject=subject, first=first, last=last)), days)
    other = sibling_of(site, finding)
    line = None
    if other is not None:
        rows = read_daily(conn, site=site.id, subject=f"string:{other}", first=first, last=last)
        line = sibling_line(site, finding, other, daily_energy(figures_by_day(rows), days)) if rows else None
    return finding_chart(finding, daily, line)


def figures_by_day(rows: Sequence[DailyRow]) -> dict[date, DayFigures]:
    """A subject's rows by local day, as pictures and sums take them."""
    return {
        row.day: DayFigures(
            measured=row.measured_kwh,
            expected=row.expected_kwh,
            low=row.expected_low_kwh,
            high=row.expected_high_kwh,
            source=row.irradiation_source,
            whole=row.usable >= WHOLE_DAY,
        )
        for row in rows
    }


def _told_something(row: DailyRow) -> bool:
    return row.measured_kwh is not None or (row.features.get("heard") or 0.0) > 0.0


def _is_heard(conn: Connection, site: Site, as_of: date) -> bool:
    first = as_of - timedelta(days=QUIET_DAYS - 1)
    return any(_told_something(row) for row in read_daily(conn, site=site.id, first=first, last=as_of))


def _last_heard(conn: Connection, site: Site, as_of: date) -> date | None:
    rows = read_daily(conn, site=site.id, first=as_of - LONGEST_CHART, last=as_of)
    return max((row.day for row in rows if _told_something(row)), default=None)


def _set_aside(conn: Connection, sites: Mapping[str, Site], *, since: datetime) -> tuple[str, ...]:
    files = [
        file
        for file in list_files(conn, limit=LEDGER_LOOK)
        if file.taken_at >= since.timestamp() and (file.state == "refused" or file.rejects)
    ]
    return tuple(_file_line(file, sites) for file in files)


def _file_line(file: FileRecord, sites: Mapping[str, Site]) -> str:
    name = sites[file.site].site.name if file.site in sites else file.site
    if file.state == "refused":
        return f"{name}: {file.path} was not taken: {file.reason}"
    return f"{name}: {file.path}, {file.rejects} of its rows or cells set aside"


def _contact(fleet: Fleet) -> str | None:
    mail = fleet.settings.mail
    if mail is None:
        return None
    return mail.service_team[0] if mail.service_team else mail.sender.rpartition("<")[2].rstrip(">")


def _start_of(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time.min, tzinfo=zone).astimezone(UTC).astimezone(zone)
