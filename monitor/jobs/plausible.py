"""Readings whose time cannot be true are set aside: later than now, or before the site was there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from ingest.readings import ReadResult, Reject, Table

_WEATHER = ("irradiance_ghi", "irradiance_dni", "irradiance_dhi", "temperature_air", "wind_speed")


@dataclass(frozen=True, slots=True)
class Span:
    """The times that are believed: from `earliest` up to and without `latest`, UTC epoch seconds."""

    earliest: int
    latest: int


def keep_believable(result: ReadResult, file: str, span: Span) -> ReadResult:
    """Return the result without rows outside the span; one reject tells of all such rows on one side.

    Weather may go back further than the site: it serves as a long record and stays whole at that end.
    """
    tables, early, late = [], [], []
    for table in result.tables:
        is_late = table.starts >= span.latest
        is_early = (table.starts < span.earliest) & (not _is_weather(table))
        early.append(table.starts[is_early])
        late.append(table.starts[is_late])
        tables.append(_select(table, ~(is_early | is_late)))
    aside = [*_aside(file, early, "before", span.earliest), *_aside(file, late, "after", span.latest)]
    if not aside:
        return result
    kept = tuple(t for t in tables if t.starts.size)
    return replace(result, tables=kept, rejects=(*result.rejects, *aside))


def _is_weather(table: Table) -> bool:
    return all(c.subject == "site" and c.quantity in _WEATHER for c in table.columns)


def _select(table: Table, rows: npt.NDArray[np.bool_]) -> Table:
    if rows.all():
        return table
    return Table(table.starts[rows], {channel: values[rows] for channel, values in table.columns.items()})


def _aside(file: str, times: list[npt.NDArray[np.int64]], side: str, bound: int) -> Iterator[Reject]:
    all_times = np.unique(np.concatenate(times)) if times else np.array([], dtype=np.int64)
    if not all_times.size:
        return
    rows = f"{all_times.size} row{'s' if all_times.size > 1 else ''}"
    limit = "the day before the site was commissioned" if side == "before" else "one day from now"
    first = _text(int(all_times[0]))
    yield Reject(file, None, "time", first, f"{rows} from {first} lie {side} {_text(bound)}, {limit}")


def _text(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")
