"""Readings in day blocks: merged in, read back, and which days wait to be assessed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, case, delete, func, select, tuple_

from ingest.errors import StoreUnavailable
from ingest.readings import Channel, Table
from monitor.store import schema
from monitor.store.blocks import DamagedBlock, Day, decode, encode
from monitor.store.merging import Counts, join, merge, split_days
from monitor.store.rows import AT_ONCE, insert_missing, portions, upsert

BlockKey = tuple[int, int]  # source row, UTC day


@dataclass(frozen=True, slots=True)
class Incoming:
    """All tables of one file or poll, and the source that they belong to."""

    site: str
    source: str
    tables: Sequence[Table]


@dataclass(frozen=True, slots=True)
class PackedDay:
    """A day's readings of a source as the store has them."""

    source: str
    source_id: int
    day: int
    data: bytes


@dataclass(frozen=True, slots=True)
class MergeCount:
    """What a merge did, in readings, and the UTC days (since 1970-01-01) whose readings it changed."""

    new: int
    same: int
    conflicts: int
    days: frozenset[int]


@dataclass(slots=True)
class _Held:
    """A block while files are merged into it: what the database has, and what it becomes."""

    stored: bytes | None = None
    day: Day | None = None

    def take(self, day: Day) -> Counts:
        if self.day is None and self.stored is not None:
            if encode(day) == self.stored:
                return Counts(same=day.readings)
            self.day = decode(self.stored)
        if self.day is None:
            self.day = day
            return Counts(new=day.readings)
        self.day, counts = merge(self.day, day)
        return counts


def merge_tables(conn: Connection, *, site: str, source: str, tables: Sequence[Table], now: int) -> MergeCount:
    """Merge the readings of one file into the store."""
    return merge_files(conn, [Incoming(site, source, tables)], now=now)[0]


def merge_files(conn: Connection, files: Sequence[Incoming], *, now: int) -> list[MergeCount]:
    """Merge many files of any sources in a few statements; one count a file, as if merged one after the other."""
    ids = _source_ids(conn, {(file.site, file.source) for file in files})
    pieces = [
        [(ids[file.site, file.source], number, day) for table in file.tables for number, day in split_days(table)]
        for file in files
    ]
    held = _fetch(conn, {(source_id, number) for file in pieces for source_id, number, _ in file})
    counts = []
    for file in pieces:
        total, days = Counts(), set()
        for source_id, number, day in file:
            got = _take(held[source_id, number], day, source_id, number)
            total += got
            if got.new or got.conflicts:
                days.add(number)
        counts.append(MergeCount(total.new, total.same, total.conflicts, frozenset(days)))
    changed = _keep(conn, held)
    _note_changes(conn, {source_id: site for (site, _), source_id in ids.items()}, changed, now)
    return counts


def load_tables(
    conn: Connection, *, site: str, first_day: int, last_day: int, sources: Collection[str] | None = None
) -> dict[str, Table]:
    """Each source's readings over UTC days first to last, both included, as one table."""
    packed = load_blocks(conn, {site: (first_day, last_day)}, sources=sources)[site]
    return open_tables(packed)


def load_blocks(
    conn: Connection, spans: Mapping[str, tuple[int, int]], *, sources: Collection[str] | None = None
) -> dict[str, list[PackedDay]]:
    """The blocks of many sites, each over its first to last UTC day, for `open_tables`."""
    c = schema.block.c
    found: dict[str, list[PackedDay]] = {site: [] for site in spans}
    for some in portions(spans):
        first, last = min(spans[s][0] for s in some), max(spans[s][1] for s in some)
        query = (
            select(schema.source.c.site, schema.source.c.name, schema.source.c.id, c.day, c.data)
            .join_from(schema.source, schema.block)
            .where(schema.source.c.site.in_(some), c.day.between(first, last))
            .order_by(schema.source.c.site, schema.source.c.name, c.day)
        )
        if sources is not None:
            query = query.where(schema.source.c.name.in_(sources))
        for site, *block in conn.execute(query):
            if spans[site][0] <= block[2] <= spans[site][1]:
                found[site].append(PackedDay(*block))
    return found


def open_tables(blocks: Sequence[PackedDay]) -> dict[str, Table]:
    """Each source's readings as one table; raises StoreUnavailable where a block is damaged."""
    days: dict[str, list[Day]] = defaultdict(list)
    for block in blocks:
        days[block.source].append(_open(block.data, block.source_id, block.day))
    return {name: join(parts) for name, parts in days.items()}


def list_channels(conn: Connection, site: str) -> dict[str, tuple[Channel, ...]]:
    """Each source's channels that ever had a reading."""
    c = schema.channel.c
    query = select(schema.source.c.name, c.subject, c.quantity, c.reads, c.unit).join_from(
        schema.source, schema.channel
    )
    found: dict[str, list[Channel]] = defaultdict(list)
    for name, *parts in conn.execute(query.where(schema.source.c.site == site)):
        found[name].append(Channel(*parts))
    return {name: tuple(sorted(channels)) for name, channels in sorted(found.items())}


def recorded_span(conn: Connection, site: str, *, besides: Collection[str] = ()) -> tuple[int, int] | None:
    """First and last UTC day with readings of a site, those of some sources left out."""
    query = select(func.min(schema.block.c.day), func.max(schema.block.c.day)).join_from(schema.source, schema.block)
    wanted = (schema.source.c.site == site, schema.source.c.name.not_in(besides))
    first, last = conn.execute(query.where(*wanted)).one()
    return None if first is None else (first, last)


def last_recorded(conn: Connection, sites: Sequence[str]) -> dict[str, dict[str, int]]:
    """The last UTC day with readings of every source that has any, by site and source, for many sites."""
    c = schema.source.c
    last = select(func.max(schema.block.c.day)).where(schema.block.c.source_id == c.id).scalar_subquery()
    found: dict[str, dict[str, int]] = {site: {} for site in sites}
    for some in portions(sites):
        for site, name, day in conn.execute(select(c.site, c.name, last).where(c.site.in_(some))):
            if day is not None:
                found[site][name] = day
    return found


def changed_days(conn: Connection, site: str) -> dict[int, int]:
    """UTC days whose readings changed since they were forgotten here, each with a mark that every change moves on."""
    return changed_days_of(conn, [site])[site]


def changed_days_of(conn: Connection, sites: Sequence[str]) -> dict[str, dict[int, int]]:
    """The same for many sites."""
    c = schema.changed_day.c
    found: dict[str, dict[int, int]] = {site: {} for site in sites}
    for some in portions(sites):
        for site, day, mark in conn.execute(select(c.site, c.day, c.changed_at).where(c.site.in_(some))):
            found[site][day] = mark
    return found


def mark_changed(conn: Connection, site: str, day: int, now: int) -> None:
    """Put a UTC day on the list of those that wait to be assessed again."""
    _note_changes(conn, {0: site}, {(0, day)}, now)


def forget_changed_days(conn: Connection, site: str, days: Mapping[int, int]) -> None:
    """Take days off the list, in the transaction that keeps what was made of them.

    A day whose mark is another one by now changed again after it was looked at, and stays.
    """
    forget_changes(conn, {site: days})


def forget_changes(conn: Connection, seen: Mapping[str, Mapping[int, int]]) -> None:
    """The same for the days of many sites."""
    c = schema.changed_day.c
    keys = [(site, day, mark) for site, days in seen.items() for day, mark in days.items()]
    for part in portions(keys, AT_ONCE // 3):
        conn.execute(delete(schema.changed_day).where(tuple_(c.site, c.day, c.changed_at).in_(part)))


def _source_ids(conn: Connection, wanted: set[tuple[str, str]]) -> dict[tuple[str, str], int]:
    columns = schema.source.c
    found: dict[tuple[str, str], int] = {}
    for _ in range(2):
        missing = sorted(wanted - found.keys())
        for part in portions(missing):
            query = select(columns.site, columns.name, columns.id).where(tuple_(columns.site, columns.name).in_(part))
            found |= {(site, name): source_id for site, name, source_id in conn.execute(query)}
        insert_missing(conn, schema.source, [{"site": s, "name": n} for s, n in missing if (s, n) not in found])
    return found


def _fetch(conn: Connection, keys: set[BlockKey]) -> dict[BlockKey, _Held]:
    c = schema.block.c
    held = {key: _Held() for key in sorted(keys)}
    for part in portions(held):
        query = select(c.source_id, c.day, c.data).where(tuple_(c.source_id, c.day).in_(part))
        for source_id, number, data in conn.execute(query):
            held[source_id, number].stored = data
    return held


def _take(held: _Held, day: Day, source_id: int, number: int) -> Counts:
    try:
        return held.take(day)
    except DamagedBlock as error:
        raise _damage(error, source_id, number) from error


def _open(data: bytes, source_id: int, number: int) -> Day:
    try:
        return decode(data)
    except DamagedBlock as error:
        raise _damage(error, source_id, number) from error


def _damage(error: DamagedBlock, source_id: int, number: int) -> StoreUnavailable:
    return StoreUnavailable(f"the store is damaged: block of source {source_id}, day {number}: {error}")


def _keep(conn: Connection, held: dict[BlockKey, _Held]) -> set[BlockKey]:
    """Write the blocks that became other ones, and the channels they hold."""
    rows: list[dict[str, Any]] = []
    channels: set[tuple[int, Channel]] = set()
    for (source_id, number), block in held.items():
        if block.day is None:
            continue
        data = encode(block.day)
        if data != block.stored:
            rows.append({"source_id": source_id, "day": number, "n": block.day.readings, "data": data})
            channels.update((source_id, channel) for channel in block.day.channels)
    upsert(conn, schema.block, rows)
    _list_new_channels(conn, channels)
    return {(row["source_id"], row["day"]) for row in rows}


def _list_new_channels(conn: Connection, channels: set[tuple[int, Channel]]) -> None:
    """Enter channels; most are known already, and asking is quicker than inserting in vain."""
    c = schema.channel.c
    columns = (c.source_id, c.subject, c.quantity, c.reads, c.unit)
    missing = {(source_id, ch.subject, ch.quantity, ch.reads, ch.unit) for source_id, ch in channels}
    for part in portions({source_id for source_id, _ in channels}):
        missing.difference_update(map(tuple, conn.execute(select(*columns).where(c.source_id.in_(part)))))
    names = [column.name for column in columns]
    insert_missing(conn, schema.channel, [dict(zip(names, row, strict=True)) for row in sorted(missing)])


def _note_changes(conn: Connection, sites: dict[int, str], changed: set[BlockKey], now: int) -> None:
    days = sorted({(sites[source_id], number) for source_id, number in changed})
    # Two changes may fall into one second, and a pass dates all of its changes from its beginning.
    moves_on = case((schema.changed_day.c.changed_at < now, now), else_=schema.changed_day.c.changed_at + 1)
    upsert(
        conn,
        schema.changed_day,
        [{"site": site, "day": number, "changed_at": now} for site, number in days],
        changed_at=moves_on,
    )
