"""Readings of single channels to tables: interval starts, one row a time, and what was repeated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.quantities import Reads
from ingest.readings import Channel, Seconds, Table, Values
from ingest.sources import Marks


@dataclass(frozen=True, slots=True)
class Series:
    """One channel's readings in the file's order, at the times the file gives (UTC)."""

    channel: Channel
    times: Seconds
    values: Values


@dataclass(frozen=True, slots=True)
class Repeats:
    """Rows whose time had stood before, and cells in which they differ."""

    rows: int = 0
    conflicts: int = 0

    def note(self) -> tuple[str, ...]:
        """What a person should know, or nothing."""
        if not self.rows:
            return ()
        told = f"{self.rows} rows repeat a time"
        return (f"{told}; {self.conflicts} cells differ, the later row was taken" if self.conflicts else told,)


def start_shift(marks: Marks, reads: Reads, interval_s: int) -> int:
    """Seconds from an interval's start to the time that the file gives for it.

    A counter at an instant is the register at its interval's end; a mean at an instant is a sample in the middle.
    """
    if marks == "start":
        return 0
    if marks == "instant" and reads == "mean":
        return interval_s // 2
    return interval_s


def assemble(series: Sequence[Series], marks: Marks, interval_s: int) -> tuple[tuple[Table, ...], Repeats]:
    """One table for each distance between time and interval start; equal rows become one, later ones win."""
    by_shift: dict[int, list[Series]] = {}
    for one in series:
        by_shift.setdefault(start_shift(marks, one.channel.reads, interval_s), []).append(one)
    tables, rows, conflicts = [], 0, 0
    for shift, members in sorted(by_shift.items()):
        table, repeats = _even_out(members, shift)
        rows, conflicts = max(rows, repeats.rows), conflicts + repeats.conflicts
        if table.starts.size:
            tables.append(table)
    return tuple(tables), Repeats(rows, conflicts)


def _even_out(series: Sequence[Series], shift: int) -> tuple[Table, Repeats]:
    """Columns over the union of the times; a gap never overwrites a value."""
    distinct = {id(one.times): one.times for one in series}
    axis = _union(list(distinct.values()))
    places = {key: None if times is axis else np.searchsorted(axis, times) for key, times in distinct.items()}
    repeated = sum(times.size - np.unique(times).size for times in distinct.values() if times is not axis)
    conflicts, columns = 0, {}
    for one in series:
        place = places[id(one.times)]
        if place is None:
            columns[one.channel] = one.values
            continue
        given = ~np.isnan(one.values)
        column = columns.setdefault(one.channel, np.full(axis.size, np.nan))
        column[place[given]] = one.values[given]
        conflicts += int(np.count_nonzero(column[place[given]] != one.values[given]))
    return Table(axis - shift, columns), Repeats(repeated, conflicts)


def _union(axes: list[Seconds]) -> Seconds:
    if len(axes) == 1 and bool(np.all(np.diff(axes[0]) > 0)):
        return axes[0]
    return np.unique(np.concatenate(axes))
