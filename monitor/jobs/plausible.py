"""What a file says and cannot be true of this site is set aside: times of no roof, subjects that are not there."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from ingest.readings import ReadResult, Reject, Table

_WEATHER = ("irradiance_ghi", "irradiance_dni", "irradiance_dhi", "temperature_air", "wind_speed")


@dataclass(frozen=True, slots=True)
class Believable:
    """Times from `earliest` up to and without `latest` [UTC epoch seconds], and the subjects of the site."""

    earliest: int
    latest: int
    subjects: frozenset[str]


def keep_believable(result: ReadResult, file: str, bounds: Believable) -> ReadResult:
    """Return the result without what is out of bounds; a reject tells of each kind of it."""
    return _keep_times(_keep_subjects(result, file, bounds.subjects), file, bounds)


def _keep_subjects(result: ReadResult, file: str, known: Collection[str]) -> ReadResult:
    strange = sorted({c.subject for table in result.tables for c in table.columns if c.subject not in known})
    if not strange:
        return result
    rejects = [
        Reject(file, None, "", subject, "the site file has no such part; its readings were set aside")
        for subject in strange
    ]
    tables = [
        Table(t.starts, {channel: values for channel, values in t.columns.items() if channel.subject in known})
        for t in result.tables
    ]
    return replace(result, tables=tuple(t for t in tables if t.columns), rejects=(*result.rejects, *rejects))


def _keep_times(result: ReadResult, file: str, bounds: Believable) -> ReadResult:
    """Weather may go back further than the site: it serves as a long record and stays whole at that end."""
    tables, early, late = [], [], []
    for table in result.tables:
        is_late = table.starts >= bounds.latest
        is_early = (table.starts < bounds.earliest) & (not _is_weather(table))
        early.append(table.starts[is_early])
        late.append(table.starts[is_late])
        tables.append(_select(table, ~(is_early | is_late)))
    rejects = [
        *_aside(file, early, f"before {_text(bounds.earliest)}, the day before the site was commissioned"),
        *_aside(file, late, f"after {_text(bounds.latest)}, one day from now"),
    ]
    if not rejects:
        return result
    kept = tuple(t for t in tables if t.starts.size)
    return replace(result, tables=kept, rejects=(*result.rejects, *rejects))


def _is_weather(table: Table) -> bool:
    return all(c.subject == "site" and c.quantity in _WEATHER for c in table.columns)


def _select(table: Table, rows: npt.NDArray[np.bool_]) -> Table:
    if rows.all():
        return table
    return Table(table.starts[rows], {channel: values[rows] for channel, values in table.columns.items()})


def _aside(file: str, times: list[npt.NDArray[np.int64]], where: str) -> Iterator[Reject]:
    distinct = np.unique(np.concatenate(times)) if times else np.array([], dtype=np.int64)
    if distinct.size:
        rows = "1 time lies" if distinct.size == 1 else f"{distinct.size} times lie"
        yield Reject(file, None, "time", _text(int(distinct[0])), f"{rows} {where}")


def _text(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")
