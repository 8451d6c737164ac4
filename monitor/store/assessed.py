"""How far each site has been assessed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from sqlalchemy import Connection, delete, select

from monitor.store import schema
from monitor.store.rows import upsert


def assessed_until(conn: Connection, site: str) -> date | None:
    """Last local day whose night was assessed; None: not one yet."""
    day: date | None = conn.execute(select(schema.assessed.c.day).where(schema.assessed.c.site == site)).scalar()
    return day


def assessed_sites(conn: Connection) -> dict[str, date]:
    """Last assessed day of every site that was assessed."""
    c = schema.assessed.c
    return dict(iter(conn.execute(select(c.site, c.day))))


def set_assessed(conn: Connection, site: str, day: date | None) -> None:
    """Say how far a site is assessed; None takes it back to nothing."""
    if day is None:
        conn.execute(delete(schema.assessed).where(schema.assessed.c.site == site))
    else:
        set_all_assessed(conn, [site], day)


def set_all_assessed(conn: Connection, sites: Iterable[str], day: date) -> None:
    """Say that sites are assessed until a day."""
    upsert(conn, schema.assessed, [{"site": site, "day": day} for site in sites])
