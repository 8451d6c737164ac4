"""Findings and losses as a night of the past had left them: later nights are left out."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

from sqlalchemy import Connection, func, select

from monitor.detect.finding import Finding
from monitor.detect.ruling import still_to_come
from monitor.store import schema
from monitor.store.findings import Loss, from_snapshot
from monitor.store.rows import portions, records
from monitor.store.rulings import rulings_of


def findings_as_it_was(conn: Connection, site: str, ids: Collection[str], night: date) -> dict[str, Finding]:
    """Those of a site's findings that the night of a day knew, by id, as people knew them after it.

    Verdicts of engineers count up to that day.
    """
    rulings = [ruling for ruling in rulings_of(conn, [site]).get(site, []) if ruling.day <= night]
    event = schema.finding_event.c
    found: dict[str, Finding] = {}
    for part in portions(ids):
        # First the place of each one's last event, then its text: most of the history is never read.
        nights = (
            select(event.finding_id, func.max(event.night).label("night"))
            .where(event.finding_id.in_(part), event.night <= night)
            .group_by(event.finding_id)
            .subquery()
        )
        last = (
            select(func.max(event.id))
            .join(nights, (event.finding_id == nights.c.finding_id) & (event.night == nights.c.night))
            .group_by(event.finding_id)
        )
        rows = conn.execute(select(event.finding_id, event.detail).where(event.id.in_(last)))
        found |= {name: still_to_come(from_snapshot(detail["finding"]), rulings, night) for name, detail in rows}
    return found


def losses_as_it_was(conn: Connection, finding_id: str, *, first: date, night: date) -> list[Loss]:
    """What a finding cost from a day on, in order of day, as the night of a day had counted it."""
    c = schema.loss.c
    query = select(schema.loss).where(c.finding_id == finding_id, c.day >= first, c.day <= night, c.night <= night)
    latest = {loss.day: loss for loss in records(Loss, conn.execute(query.order_by(c.day, c.night)))}
    return list(latest.values())
