"""From the store to the service team's digest: what was known, what was told before, and what has changed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from monitor.config.models import Fleet, Site
from monitor.cron import cron_trigger
from monitor.detect.finding import Finding
from monitor.report.changes import NEWS, Change, Growth, change_of, growth
from monitor.report.digest import Edition, FindingCard, ServiceDigest, Story
from monitor.report.grouping import Group, grouped
from monitor.report.proof.drawing import Proof
from monitor.report.ranking import NextYear, bearer
from monitor.report.service import (
    LONGEST_CHART,
    MOST_PICTURES,
    Silence,
    by_place,
    finding_card,
    ranked,
    silence_lines,
    story,
)
from monitor.store.as_it_was import findings_as_it_was, losses_as_it_was
from monitor.store.daily import DailyRow, expected_days, read_daily
from monitor.store.findings import list_findings
from monitor.store.jobs import last_done
from monitor.store.ledger import FileRecord, list_files
from monitor.store.outbox import last_period

QUIET_DAYS = 2  # days without any readings, after which a site is told to be without data
LEDGER_LOOK = 5000  # newest files looked through for what was set aside
LONGEST_GAP = timedelta(days=31)  # between two digests

Value = Callable[[Site, Sequence[Finding]], Mapping[str, NextYear]]
Prove = Callable[[Site, Finding], tuple[Proof, str] | None]


def prove_nothing(site: Site, finding: Finding) -> tuple[Proof, str] | None:
    """No picture."""
    return None


@dataclass(slots=True)
class _Morning:
    """What is known on a morning, on the way to a digest."""

    now: list[Finding]
    changes: dict[str, Change]
    values: dict[str, NextYear]


def gather_service(
    conn: Connection, fleet: Fleet, *, as_of: date, generated: datetime, value: Value, prove: Prove = prove_nothing,
    is_past: bool = False,
) -> ServiceDigest:  # fmt: skip
    """The service team's digest after the night of `as_of`, as of that night, whatever nights have come since.

    `value` tells what a site's findings are worth in the next year, `prove` gives the picture's data of one of them.
    Of a morning that `is_past`, files that were set aside on later days are left out.
    """
    since_last = first_untold_day(conn, fleet, as_of)
    sites = {site.id: site for site in fleet.sites}
    known = _Morning([], {}, {})
    for site in fleet.sites:
        _know(conn, site, as_of, since_last, value, known)
    known.now = ranked(known.now, known.values)
    silent = {site.id: _last_heard(conn, site, as_of) for site in fleet.sites if not _is_heard(conn, site, as_of)}
    quiet_sources = [f for f in known.now if f.cause == "missing_data" and f.state == "open"]
    faults = [f for f in known.now if f.level != "note" and f not in quiet_sources]
    groups = grouped([f for f in faults if f.state == "open"], sites)
    news = [g for g in groups if any(known.changes[f.id].kind in NEWS for f in g.findings)]
    begun = [f for f in known.now if f.level == "note" and known.changes[f.id].kind == "new"]
    told = {f.site for f in (*faults, *quiet_sources, *begun)} | silent.keys()

    def cards(findings: Sequence[Finding]) -> tuple[FindingCard, ...]:
        return tuple(
            finding_card(
                f, sites[f.site], since_last=since_last, ahead=known.values.get(f.id), change=known.changes[f.id]
            )
            for f in findings
        )

    def plain(groups: Sequence[Group]) -> tuple[Story, ...]:
        return tuple(story(group, cards(group.findings)) for group in groups)

    ended = grouped([f for f in faults if f.state == "cleared"], sites)
    return ServiceDigest(
        edition=Edition(
            kind="service", about="fleet", period=as_of.isoformat(), written=generated.astimezone(fleet.zone)
        ),
        fleet=fleet.settings.fleet.name,
        as_of=as_of,
        since_last=since_last,
        currency=fleet.settings.fleet.currency,
        sites=len(sites),
        news=by_place(_illustrated(plain(news), news, sites, prove)),
        standing=plain([group for group in groups if group not in news]),
        cleared=plain(ended),
        notes=cards(begun),
        quiet=tuple(site.site.name for site in fleet.sites if site.id not in told),
        without_data=silence_lines(_silences(silent, quiet_sources, sites), len(sites)),
        set_aside=(*fleet.faults, *_set_aside(conn, fleet, sites, since_last, as_of if is_past else None)),
    )


def first_untold_day(conn: Connection, fleet: Fleet, as_of: date) -> date:
    """First day that the service digest before did not tell.

    By the last one that went into the mail, else the last that the daemon wrote; without either, the day on which the
    one before was due.
    """
    sent = last_period(conn, "service", "fleet", before=as_of.isoformat())
    if sent is not None and as_of - date.fromisoformat(sent) <= LONGEST_GAP:
        return date.fromisoformat(sent) + timedelta(days=1)
    end = _start_of(as_of + timedelta(days=1), fleet.zone)
    done = last_done(conn, "service_digest", before=int(end.timestamp()))
    written = None if done is None else datetime.fromtimestamp(done, fleet.zone)
    if written is None or end - written > LONGEST_GAP:
        written = _last_due(fleet, end)
    return as_of if written is None else written.date()


def _know(conn: Connection, site: Site, as_of: date, since_last: date, value: Value, known: _Morning) -> None:
    """Add what is known of a site's findings, and of what has changed about them."""
    ids = [
        f.id
        for f in list_findings(conn, site=site.id, include_cleared=True)
        if f.raised <= as_of and (f.cleared is None or f.cleared >= since_last)
    ]
    if not ids:
        return
    now = [f for f in findings_as_it_was(conn, site.id, ids, as_of).values() if _is_told(f, since_last)]
    told_until = since_last - timedelta(days=1)
    before = findings_as_it_was(conn, site.id, [f.id for f in now if f.raised <= told_until], told_until)
    for finding in now:
        grown = had_grown = None
        if finding.id in before and finding.state == "open" and finding.level != "note":
            grown, had_grown = (_growth(conn, site, finding, night) for night in (as_of, told_until))
        known.changes[finding.id] = change_of(finding, before.get(finding.id), grown=grown, had_grown=had_grown)
    known.now += now
    known.values |= value(site, now)


def _is_told(finding: Finding, since_last: date) -> bool:
    return finding.state == "open" or (finding.cleared is not None and finding.cleared >= since_last)


def _growth(conn: Connection, site: Site, finding: Finding, night: date) -> Growth | None:
    expected = expected_days(conn, site=site.id, first=finding.since, last=night)
    named = bearer(site, finding.subject, frozenset(expected))
    if named is None:
        return None
    subject, part = named
    lost = {
        loss.day: (loss.lost_kwh, loss.low)
        for loss in losses_as_it_was(conn, finding.id, first=finding.since, night=night)
    }
    due = {day: part * kwh for day, kwh in expected[subject].items()}
    return growth(lost, due, since=finding.since, until=night)


def _illustrated(
    stories: Sequence[Story], groups: Sequence[Group], sites: Mapping[str, Site], prove: Prove
) -> list[Story]:
    """Stories with pictures of the first of them that can have one."""
    found, drawn = [], 0
    for plain, group in zip(stories, groups, strict=True):
        first = group.findings[0]
        proven = prove(sites[first.site], first) if drawn < MOST_PICTURES else None
        drawn += proven is not None
        found.append(plain if proven is None else story(group, plain.cards, proven))
    return found


def _silences(
    silent: Mapping[str, date | None], sources: Sequence[Finding], sites: Mapping[str, Site]
) -> list[Silence]:
    """Silent sites, and silent sources of sites that are heard."""
    found = [Silence(sites[site_id], "site", last) for site_id, last in silent.items()]
    found += [Silence(sites[f.site], f.subject, f.since - timedelta(days=1)) for f in sources if f.site not in silent]
    return found


def _told_something(row: DailyRow) -> bool:
    return row.measured_kwh is not None or (row.features.get("heard") or 0.0) > 0.0


def _is_heard(conn: Connection, site: Site, as_of: date) -> bool:
    first = as_of - timedelta(days=QUIET_DAYS - 1)
    return any(_told_something(row) for row in read_daily(conn, site=site.id, first=first, last=as_of))


def _last_heard(conn: Connection, site: Site, as_of: date) -> date | None:
    rows = read_daily(conn, site=site.id, first=as_of - LONGEST_CHART, last=as_of)
    return max((row.day for row in rows if _told_something(row)), default=None)


def _set_aside(
    conn: Connection, fleet: Fleet, sites: Mapping[str, Site], since_last: date, night: date | None
) -> tuple[str, ...]:
    """Files set aside since the digest before; up to the end of the day that follows a night of the past."""
    since = _start_of(since_last, fleet.zone).timestamp()
    until = math.inf if night is None else _start_of(night + timedelta(days=2), fleet.zone).timestamp()
    files = [
        file
        for file in list_files(conn, limit=LEDGER_LOOK)
        if since <= file.taken_at < until and (file.state == "refused" or file.rejects)
    ]
    return tuple(_file_line(file, sites) for file in files)


def _file_line(file: FileRecord, sites: Mapping[str, Site]) -> str:
    name = sites[file.site].site.name if file.site in sites else file.site
    if file.state == "refused":
        return f"{name}: {file.path} was not taken: {file.reason}"
    return f"{name}: {file.path}, {file.rejects} of its rows or cells set aside"


def _last_due(fleet: Fleet, end: datetime) -> datetime | None:
    """The last instant before `end` at which a service digest was due."""
    trigger = cron_trigger(fleet.settings.schedule.service_digest, fleet.zone)
    at, last = end - LONGEST_GAP, None
    while (due := trigger.get_next_fire_time(None, at)) is not None and due < end:
        last, at = due, due + timedelta(minutes=1)
    return last


def _start_of(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time.min, tzinfo=zone).astimezone(UTC).astimezone(zone)
