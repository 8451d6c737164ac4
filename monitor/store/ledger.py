"""Which files were read, with what outcome, and what of them was set aside."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, RowMapping, Select, delete, func, select

from ingest.readings import Reject
from monitor.store import schema
from monitor.store.rows import Row, portions, records, to_row

FileState = Literal["taken", "refused"]

_KEY = ("site", "source", "sha256", "config_hash")
_DONE = ("readings_new", "conflicts")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRecord:
    """One reading of one file: its content by hash, the settings it was read with, what came of it.

    In the ledger `readings_new` and `conflicts` count all that the content ever brought, so that the new readings of a
    source's files are, in sum, the readings that the store holds of it.
    """

    site: str
    source: str
    path: str
    sha256: str
    size: int
    taken_at: int
    config_hash: str
    rows: int = 0
    readings_new: int = 0
    readings_same: int = 0
    conflicts: int = 0
    rejects: int = 0
    state: FileState = "taken"
    reason: str = ""
    read_again_at: int | None = None  # from then on a part of it that lay in the future is taken


@dataclass(frozen=True, slots=True)
class KeptReject:
    """A reject and the source whose file it stands in."""

    site: str
    source: str
    reject: Reject


@dataclass(frozen=True, slots=True)
class SourceCount:
    """A source's files as they stand now: how many, how many refused, rejects in them, last one taken.

    `conflicts` counts the readings that ever replaced another value.
    """

    site: str
    source: str
    files: int
    refused: int
    rejects: int
    conflicts: int
    last_taken_at: int | None  # None: every file was refused


def seen(conn: Connection, *, site: str, source: str, sha256: str, config_hash: str) -> bool:
    """Whether this content was read already with these settings, be it taken or refused."""
    return bool(seen_many(conn, site=site, source=source, hashes=[sha256], config_hash=config_hash))


def seen_many(conn: Connection, *, site: str, source: str, hashes: Iterable[str], config_hash: str) -> set[str]:
    """Those of many content hashes that were read already with these settings."""
    c = schema.ledger.c
    found: set[str] = set()
    for part in portions(hashes):
        query = select(c.sha256).where(c.site == site, c.source == source, c.config_hash == config_hash)
        found.update(conn.execute(query.where(c.sha256.in_(part))).scalars())
    return found


def record_file(conn: Connection, record: FileRecord, rejects: Sequence[Reject] = ()) -> None:
    """Enter a file; its rejects take the place of those of the path's earlier readings."""
    record_files(conn, [(record, rejects)])


def record_files(conn: Connection, entries: Sequence[tuple[FileRecord, Sequence[Reject]]]) -> None:
    """Enter many files at once. Content that was read before with the same settings is entered anew."""
    rows = [to_row(record) for record, _ in entries]
    if _are_strange(conn, rows):
        result = conn.execute(schema.ledger.insert().returning(schema.ledger.c.id, sort_by_parameter_order=True), rows)
        ids = list(result.scalars())
    else:
        ids = [_enter(conn, row) for row in rows]
    rejects = [
        _reject_row(reject, record.path, ledger_id)
        for (record, found), ledger_id in zip(entries, ids, strict=True)
        for reject in found
    ]
    if rejects:
        conn.execute(schema.reject.insert(), rejects)


def list_files(
    conn: Connection, *, site: str | None = None, state: FileState | None = None, limit: int | None = None
) -> list[FileRecord]:
    """Files as they stand now (the last reading of each path), last read first."""
    query = _standing().order_by(schema.ledger.c.taken_at.desc(), schema.ledger.c.id.desc()).limit(limit)
    if site is not None:
        query = query.where(schema.ledger.c.site == site)
    if state is not None:
        query = query.where(schema.ledger.c.state == state)
    return [_record(row) for row in conn.execute(query).mappings()]


def list_rejects(conn: Connection, *, site: str | None = None, limit: int | None = None) -> list[KeptReject]:
    """What is set aside now, last file first, in the order of its lines."""
    c, e = schema.reject.c, schema.ledger.c
    query = (
        select(e.site, e.source, e.path, c.member, c.line, c.field, c.text, c.reason)
        .join_from(schema.reject, schema.ledger)
        .order_by(e.taken_at.desc(), e.id.desc(), c.id)
        .limit(limit)
    )
    if site is not None:
        query = query.where(e.site == site)
    return [
        KeptReject(at, source, Reject(path if member is None else f"{path}/{member}", *parts))
        for at, source, path, member, *parts in conn.execute(query)
    ]


def count_files(conn: Connection, *, site: str | None = None) -> list[SourceCount]:
    """Counts a source, in order of site and source."""
    c = schema.ledger.c
    stands = c.id.in_(_last_readings())
    query = (
        select(
            c.site,
            c.source,
            func.count().filter(stands).label("files"),
            func.count().filter(stands, c.state == "refused").label("refused"),
            func.sum(c.rejects).filter(stands).label("rejects"),
            func.sum(c.conflicts).label("conflicts"),
            func.max(c.taken_at).filter(stands, c.state == "taken").label("last_taken_at"),
        )
        .group_by(c.site, c.source)
        .order_by(c.site, c.source)
    )
    if site is not None:
        query = query.where(c.site == site)
    return records(SourceCount, conn.execute(query))


def _standing() -> Select[tuple[object, ...]]:
    return select(schema.ledger).where(schema.ledger.c.id.in_(_last_readings()))


def _last_readings() -> Select[tuple[int]]:
    """The row of each path's last reading."""
    c = schema.ledger.c
    return select(func.max(c.id)).group_by(c.site, c.source, c.path)


def _record(row: RowMapping) -> FileRecord:
    return FileRecord(**{name: value for name, value in row.items() if name != "id"})


def _reject_row(reject: Reject, path: str, ledger_id: int) -> dict[str, Any]:
    """The ledger has the path, so that only a file of an archive is named here."""
    row = to_row(reject)
    file = row.pop("file")
    inside = file.removeprefix(f"{path}/") if file.startswith(f"{path}/") else None
    return {"ledger_id": ledger_id, "member": inside, **row}


def _are_strange(conn: Connection, rows: Sequence[Row]) -> bool:
    """Whether these are files of one source, and neither their paths nor their contents were met before or twice."""
    c = schema.ledger.c
    sources = {(row["site"], row["source"]) for row in rows}
    if len(sources) != 1:
        return False
    ((site, source),) = sources
    for name in ("path", "sha256"):
        values = [row[name] for row in rows]
        if len(set(values)) < len(values):
            return False
        for part in portions(values):
            met = select(c.id).where(c.site == site, c.source == source, c[name].in_(part)).limit(1)
            if conn.execute(met).first() is not None:
                return False
    return True


def _enter(conn: Connection, row: Row) -> int:
    """Enter a content, without the rejects of its path's earlier readings.

    What an earlier reading of it did to the store stays counted.
    """
    c = schema.ledger.c
    readings = select(c.id).where(*(c[name] == row[name] for name in ("site", "source", "path")))
    conn.execute(delete(schema.reject).where(schema.reject.c.ledger_id.in_(readings)))
    forget = delete(schema.ledger).where(*(c[name] == row[name] for name in _KEY))
    before = conn.execute(forget.returning(*(c[name] for name in _DONE))).mappings().first() or dict.fromkeys(_DONE, 0)
    row = {**row, **{name: row[name] + before[name] for name in _DONE}}
    return int(conn.execute(schema.ledger.insert().returning(c.id), row).scalar_one())
