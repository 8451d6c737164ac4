"""Frozen records to rows and back, and upserts that read the same on both databases."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from datetime import date
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import ColumnElement, Connection, CursorResult, Table
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

Record = TypeVar("Record")
Row = Mapping[str, Any]
AT_ONCE = 900  # values in one IN list


def to_row(record: Any) -> dict[str, Any]:
    """A dataclass as a row; what only one of the two databases can hold becomes what both can."""
    return {name: _storable(getattr(record, name)) for name in _names_of(record.__class__)}


@lru_cache(maxsize=64)
def _names_of(kind: Any) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


def records(kind: type[Record], result: CursorResult[Any]) -> list[Record]:
    """Rows as dataclasses whose fields bear the columns' names."""
    names = tuple(result.keys())
    return [kind(**dict(zip(names, row, strict=True))) for row in result]


def upsert(conn: Connection, table: Table, rows: Sequence[Row], **instead: ColumnElement[Any]) -> None:
    """Insert rows; where the primary key is there already, replace the rest of the row.

    `instead` says for a column what else it becomes there.
    """
    if not rows:
        return
    conn.execute(_upserting(_insert(conn), table, **instead) if instead else _plain_upsert(_insert(conn), table), rows)


def _upserting(kind: Any, table: Table, **instead: ColumnElement[Any]) -> Any:
    insert = kind(table)
    rest = {c.name: insert.excluded[c.name] for c in table.columns if not c.primary_key} | instead
    return insert.on_conflict_do_update(index_elements=list(table.primary_key), set_=rest)


@lru_cache(maxsize=64)
def _plain_upsert(kind: Any, table: Table) -> Any:
    """Putting the statement together costs more than a few rows do."""
    return _upserting(kind, table)


def insert_missing(conn: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Insert rows; leave those alone that are there already."""
    if rows:
        conn.execute(_insert(conn)(table).on_conflict_do_nothing(), rows)


def portions(items: Iterable[Record], size: int = AT_ONCE) -> Iterable[list[Record]]:
    """Items in lists of a size that a statement can take."""
    every = list(items)
    return (every[at : at + size] for at in range(0, len(every), size))


def dump_json(value: Any) -> str:
    """JSON text of plain, date and numpy values; NaN and infinities become null."""
    try:
        return json.dumps(value, default=_plain, allow_nan=False)
    except ValueError:
        return json.dumps(_finite(value), default=_plain)


def _insert(conn: Connection) -> Any:
    return insert_sqlite if conn.dialect.name == "sqlite" else insert_postgresql


def _storable(value: Any) -> Any:
    """A NaN as null; text without null characters and halves of characters, such as files' names may hold."""
    if isinstance(value, float) and math.isnan(value):
        return None
    if isinstance(value, str):
        return value.replace("\0", "\ufffd").encode(errors="replace").decode()
    return value


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (np.ndarray, np.generic)):
        return _finite(value.tolist())
    raise TypeError(f"a {type(value).__name__} does not go into the store as JSON")


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value
