"""Findings, what happened to them, and what they cost day by day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, select, update

from monitor.detect.finding import Finding
from monitor.store import schema
from monitor.store.rows import records, to_row, upsert


@dataclass(frozen=True, slots=True)
class Loss:
    """What a finding cost on one local day, with its range [kWh]."""

    finding_id: str
    day: date
    lost_kwh: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FindingEvent:
    """Something that happened to a finding, and the night whose assessment did it."""

    finding_id: str
    night: date
    what: str
    detail: dict[str, Any] = field(default_factory=dict)


def save_findings(conn: Connection, findings: Sequence[Finding]) -> None:
    """Keep findings; those whose id is there already are replaced."""
    upsert(conn, schema.finding, [to_row(finding) for finding in findings])


def list_findings(conn: Connection, *, site: str | None = None, include_cleared: bool = False) -> list[Finding]:
    """Findings in order of site, raised and id."""
    c = schema.finding.c
    query = select(schema.finding).order_by(c.site, c.raised, c.id)
    if site is not None:
        query = query.where(c.site == site)
    if not include_cleared:
        query = query.where(c.state == "open")
    return records(Finding, conn.execute(query))


def write_losses(conn: Connection, rows: Sequence[Loss]) -> None:
    """Keep losses; one of the same finding and day is replaced."""
    upsert(conn, schema.loss, [to_row(row) for row in rows])


def read_losses(conn: Connection, *, site: str, first: date | None = None, last: date | None = None) -> list[Loss]:
    """Losses of a site's findings over the days first to last, both included, in order of day and finding."""
    c = schema.loss.c
    query = select(schema.loss).where(_of_site(schema.loss, site)).order_by(c.day, c.finding_id)
    if first is not None:
        query = query.where(c.day >= first)
    if last is not None:
        query = query.where(c.day <= last)
    return records(Loss, conn.execute(query))


def add_event(conn: Connection, finding_id: str, night: date, what: str, detail: dict[str, Any]) -> None:
    """Add to a finding's history."""
    row = to_row(FindingEvent(finding_id, night, what, detail))
    conn.execute(schema.finding_event.insert(), row)


def list_events(
    conn: Connection, *, finding_id: str | None = None, site: str | None = None, first: date | None = None
) -> list[FindingEvent]:
    """History of one finding, of a site's findings, or of all, in order of night, from a night on."""
    c = schema.finding_event.c
    query = select(c.finding_id, c.night, c.what, c.detail).order_by(c.night, c.id)
    if finding_id is not None:
        query = query.where(c.finding_id == finding_id)
    if site is not None:
        query = query.where(_of_site(schema.finding_event, site))
    if first is not None:
        query = query.where(c.night >= first)
    return records(FindingEvent, conn.execute(query))


def rewind_findings(conn: Connection, *, site: str, from_day: date) -> list[Finding]:
    """Take a site's findings back to before the night of `from_day`; returns those that did not exist then.

    What that night and later ones added is deleted: events, losses, and findings that they raised. A finding that
    they cleared is open again, and none was seen later than the day before.
    """
    c = schema.finding.c
    raised = (c.site == site) & (c.raised >= from_day)
    gone = records(Finding, conn.execute(select(schema.finding).where(raised).order_by(c.raised, c.id)))
    conn.execute(delete(schema.finding).where(raised))
    for table, day in ((schema.loss, schema.loss.c.day), (schema.finding_event, schema.finding_event.c.night)):
        conn.execute(delete(table).where(_of_site(table, site), day >= from_day))
    reopened = update(schema.finding).where(c.site == site, c.cleared >= from_day)
    conn.execute(reopened.values(state="open", cleared=None))
    later = update(schema.finding).where(c.site == site, c.last_seen >= from_day)
    conn.execute(later.values(last_seen=from_day - timedelta(days=1)))
    return gone


def _of_site(table: Any, site: str) -> ColumnElement[bool]:
    ids = select(schema.finding.c.id).where(schema.finding.c.site == site)
    condition: ColumnElement[bool] = table.c.finding_id.in_(ids)
    return condition
