"""An engineer's verdict on a finding, taken in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection

from ingest.errors import ConfigurationError
from monitor.clock import day_number, local_date
from monitor.config import Fleet, Site
from monitor.detect.finding import Finding
from monitor.detect.ruling import CLOSING, Ruling, Said, renewed
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.readings import mark_changed
from monitor.store.rulings import rulings_of, told_findings, write_ruling

_MOST_LISTED = 10


@dataclass(frozen=True, slots=True)
class Taken:
    """A verdict that was taken in, the finding as it stands now, and whether its nights are to be assessed again."""

    ruling: Ruling
    finding: Finding
    again_from: date | None


def take_verdict(fleet: Fleet, store: Store, start: str, said: Said, *, note: str, day: date | None, now: int) -> Taken:
    """Take in a verdict on the finding whose id begins with `start`; without `day` it is of today."""
    with store.write() as conn:
        site, finding = _the_finding(conn, fleet, start)
        today = local_date(now, site.zone)
        day = day or today
        before = [r for r in rulings_of(conn, [site.id]).get(site.id, []) if r.finding_id == finding.id]
        _check(finding, day, today, before)
        until = assessed_until(conn, site.id)
        ruling = Ruling(
            site=site.id, finding_id=finding.id, day=day, said=said, note=note, subject=finding.subject,
            cause=finding.cause, raised=finding.raised,
            renews=renewed(site, finding.subject, finding.cause) if said in CLOSING else (),
            given_at=now, nights_until=until,
        )  # fmt: skip
        write_ruling(conn, ruling)
        again = until is not None and day <= until
        if again:
            mark_changed(conn, site.id, day_number(day), now)
        told = {f.id: f for f in told_findings(conn, site=site.id, include_cleared=True)}
    return Taken(ruling, told[finding.id], day if again else None)


def _the_finding(conn: Connection, fleet: Fleet, start: str) -> tuple[Site, Finding]:
    """The one finding whose id begins so; open ones first, as cleared ones are only named in errors."""
    every = [(s, f) for s in fleet.sites for f in told_findings(conn, site=s.id, include_cleared=True)]
    found = [pair for pair in every if pair[1].id == start] or [pair for pair in every if pair[1].id.startswith(start)]
    if not start or not found:
        number = sum(f.state == "open" for _, f in every)
        raise ConfigurationError(
            [f"finding {start!r}: none of {len(every)} findings ({number} open) has an id that begins so; expected one "
             "of those that `aftercare findings --json` lists"]
        )  # fmt: skip
    if len(found) > 1:
        lines = [f"  {f.id}  {f.state}  {f.site} {f.subject} {f.cause}, raised {f.raised}" for _, f in found]
        more = [f"  and {len(found) - _MOST_LISTED} more"] if len(found) > _MOST_LISTED else []
        head = f"finding {start!r}: {len(found)} findings have an id that begins so; expected enough of it for one:"
        raise ConfigurationError([head, *lines[:_MOST_LISTED], *more])
    return found[0]


def _check(finding: Finding, day: date, today: date, before: list[Ruling]) -> None:
    what = f"finding {finding.id} ({finding.site} {finding.subject} {finding.cause})"
    if finding.state == "cleared":
        how = f", {finding.verdict}" if finding.is_closed_by_hand else ""
        fault = f"{what}: cleared on {finding.cleared}{how}; expected an open finding"
    elif day > today:
        fault = f"--on {day}: lies in the future; expected a day until today, {today}"
    elif day < finding.raised:
        fault = f"--on {day}: {what} was first reported after {finding.raised}; expected that day or a later one"
    elif before and day < before[-1].day:
        last = before[-1]
        fault = f"--on {day}: {what} was called {last.said} on {last.day}; expected that day or a later one"
    else:
        return
    raise ConfigurationError([fault])
