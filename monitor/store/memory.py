"""Daily rows once more, packed by site and a hundred days, for nights that need a year of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection, delete, func, select

from monitor.store import schema
from monitor.store.rows import portions, records, to_row, upsert


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryPart:
    """What some days of a site left behind; `first` when no night before these days left anything."""

    site: str
    part: int
    until: date
    first: bool
    data: bytes


def write_memory(conn: Connection, parts: Sequence[MemoryPart]) -> None:
    """Keep parts, each in the place of what was there before."""
    upsert(conn, schema.memory, [to_row(part) for part in parts])


def read_memory(conn: Connection, sites: Sequence[str], *, since: int) -> dict[str, list[MemoryPart]]:
    """Parts of sites from one part on, in order; sites without any have an empty list."""
    c = schema.memory.c
    found: dict[str, list[MemoryPart]] = {site: [] for site in sites}
    for some in portions(sites):
        query = select(schema.memory).where(c.site.in_(some), c.part >= since).order_by(c.site, c.part)
        for part in records(MemoryPart, conn.execute(query)):
            found[part.site].append(part)
    return found


def memory_sizes(conn: Connection, sites: Sequence[str]) -> dict[str, int]:
    """Bytes of what is remembered of sites: whatever changed in their days shows in it, but for a rare chance."""
    c = schema.memory.c
    found: dict[str, int] = {}
    for some in portions(sites):
        query = select(c.site, func.sum(func.length(c.data))).where(c.site.in_(some)).group_by(c.site)
        found |= {site: int(size) for site, size in conn.execute(query)}
    return found


def drop_memory(conn: Connection, *, site: str, from_day: date) -> None:
    """Delete a site's parts that a day or any later one went into."""
    c = schema.memory.c
    conn.execute(delete(schema.memory).where(c.site == site, c.until >= from_day))
