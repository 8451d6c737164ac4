"""Findings, what happened to them, and what they cost day by day."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Connection, Date, delete, func, select

from monitor.detect.finding import Finding
from monitor.store import schema
from monitor.store.rows import dump_json, portions, records, to_row, upsert

_DATES = tuple(column.name for column in schema.finding.columns if isinstance(column.type, Date))


@dataclass(frozen=True, slots=True)
class Loss:
    """What a finding cost on one local day, with its range [kWh], and the night whose assessment counted it."""

    finding_id: str
    day: date
    lost_kwh: float
    low: float
    high: float
    night: date


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
    """Keep losses; what a later night counts for a day stands in for what earlier nights did."""
    upsert(conn, schema.loss, [to_row(row) for row in rows])


def read_losses(conn: Connection, *, site: str, first: date | None = None, last: date | None = None) -> list[Loss]:
    """Losses of a site's findings over the days first to last, both included, in order of day and finding."""
    c = schema.loss.c
    query = select(schema.loss).where(_of_site(schema.loss, site)).order_by(c.day, c.finding_id, c.night)
    if first is not None:
        query = query.where(c.day >= first)
    if last is not None:
        query = query.where(c.day <= last)
    latest = {(loss.day, loss.finding_id): loss for loss in records(Loss, conn.execute(query))}
    return list(latest.values())


def losses_of(conn: Connection, sites: Sequence[str], *, first: date, last: date) -> dict[str, list[Loss]]:
    """Losses of many sites' findings over the days first to last, in order of day and finding, by site."""
    c, f = schema.loss.c, schema.finding.c
    found: dict[str, dict[tuple[date, str], Loss]] = {site: {} for site in sites}
    for some in portions(sites):
        query = select(f.site, *schema.loss.columns).join_from(schema.loss, schema.finding)
        query = query.where(f.site.in_(some), c.day >= first, c.day <= last).order_by(c.day, c.finding_id, c.night)
        for row in conn.execute(query).mappings():
            loss = Loss(**{name: row[name] for name in schema.loss.c.keys()})  # noqa: SIM118
            found[row["site"]][loss.day, loss.finding_id] = loss
    return {site: list(losses.values()) for site, losses in found.items()}


def finding_event(finding: Finding, night: date, what: str) -> FindingEvent:
    """The event of a night that left a finding as it is now, with the whole of it, so that it can be brought back."""
    return FindingEvent(finding.id, night, what, {"finding": json.loads(dump_json(to_row(finding)))})


def add_events(conn: Connection, rows: Sequence[FindingEvent]) -> None:
    """Add to the history of findings that are kept already."""
    if rows:
        conn.execute(schema.finding_event.insert(), [to_row(row) for row in rows])


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


def findings_of(conn: Connection, sites: Sequence[str]) -> dict[str, list[Finding]]:
    """All findings of some sites, cleared ones too, each site's in order of raised and id."""
    c = schema.finding.c
    found: dict[str, list[Finding]] = {}
    for some in portions(sites):
        query = select(schema.finding).where(c.site.in_(some)).order_by(c.raised, c.id)
        for finding in records(Finding, conn.execute(query)):
            found.setdefault(finding.site, []).append(finding)
    return found


def rewind_findings(conn: Connection, *, site: str, from_day: date) -> list[Finding]:
    """Take a site's findings back to before the night of `from_day`; returns those that did not exist then.

    Events and losses of that night and later ones are deleted. A finding that had such an event is again what its
    last remaining event says, and is deleted when none remains; it is returned as it was until now.
    """
    touched = _touched(conn, site, from_day)
    for table in (schema.loss, schema.finding_event):
        conn.execute(delete(table).where(_of_site(table, site), table.c.night >= from_day))
    before = _last_snapshots(conn, touched)
    save_findings(conn, list(before.values()))
    gone = [finding for finding in touched.values() if finding.id not in before]
    for part in portions(finding.id for finding in gone):
        conn.execute(delete(schema.finding).where(schema.finding.c.id.in_(part)))
    return gone


def _touched(conn: Connection, site: str, from_day: date) -> dict[str, Finding]:
    """A site's findings with an event in the night of `from_day` or later, by id, in order of raised and id."""
    c, event = schema.finding.c, schema.finding_event.c
    ids = select(event.finding_id).where(event.night >= from_day)
    query = select(schema.finding).where(c.site == site, c.id.in_(ids)).order_by(c.raised, c.id)
    return {finding.id: finding for finding in records(Finding, conn.execute(query))}


def _last_snapshots(conn: Connection, ids: Iterable[str]) -> dict[str, Finding]:
    """Findings as their last event says they were; those without an event are left out."""
    c = schema.finding_event.c
    place = func.row_number().over(partition_by=c.finding_id, order_by=(c.night.desc(), c.id.desc()))
    found: dict[str, Finding] = {}
    for part in portions(ids):
        ranked = select(c.finding_id, c.detail, place.label("place")).where(c.finding_id.in_(part)).subquery()
        last = select(ranked.c.finding_id, ranked.c.detail).where(ranked.c.place == 1)
        found |= {finding_id: from_snapshot(detail["finding"]) for finding_id, detail in conn.execute(last)}
    return found


def from_snapshot(snapshot: dict[str, Any]) -> Finding:
    """A finding from what an event holds of it."""
    dates = {name: date.fromisoformat(snapshot[name]) for name in _DATES if snapshot[name] is not None}
    return Finding(**{**snapshot, **dates})


def _of_site(table: Any, site: str) -> ColumnElement[bool]:
    ids = select(schema.finding.c.id).where(schema.finding.c.site == site)
    condition: ColumnElement[bool] = table.c.finding_id.in_(ids)
    return condition
