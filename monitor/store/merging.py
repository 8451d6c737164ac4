"""Days of readings put together: split by UTC day, joined without losing a reading, counted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ingest.readings import Channel, Seconds, Table, Values
from monitor.store.blocks import Day

DAY_S = 86400


@dataclass(frozen=True, slots=True)
class Counts:
    """Readings of one merge: not there before, there with the same value, there with another value."""

    new: int = 0
    same: int = 0
    conflicts: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(self.new + other.new, self.same + other.same, self.conflicts + other.conflicts)


def split_days(table: Table) -> Iterator[tuple[int, Day]]:
    """The UTC days of a table that hold readings, as (days since 1970-01-01, day)."""
    if table.starts.size == 0 or not table.columns:
        return
    if (np.diff(table.starts) <= 0).any():
        raise ValueError("the starts of a table must increase strictly")
    channels = tuple(sorted(table.columns))
    columns = [table.columns[channel] for channel in channels]
    days = table.starts // DAY_S
    bounds = [0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), days.size]
    for first, last in pairwise(bounds):
        values = np.stack([column[first:last] for column in columns])
        day = without_empty(Day(table.starts[first:last], channels, values))
        if day.channels:
            yield int(days[first]), day


def without_empty(day: Day) -> Day:
    """The day without rows and columns that are all gaps."""
    readings = ~np.isnan(day.values)
    rows = np.logical_or.reduce(readings, axis=0)
    columns = np.logical_or.reduce(readings, axis=1)
    if rows.all() and columns.all():
        return day
    channels = tuple(channel for channel, kept in zip(day.channels, columns, strict=True) if kept)
    return Day(day.starts[rows], channels, day.values[np.ix_(columns, rows)])


def merge(old: Day, new: Day) -> tuple[Day, Counts]:
    """Both days in one: a new reading wins over a different old one, a gap never does."""
    starts = old.starts if np.array_equal(old.starts, new.starts) else np.union1d(old.starts, new.starts)
    channels = old.channels if old.channels == new.channels else tuple(sorted({*old.channels, *new.channels}))
    values = _spread(old, starts, channels)
    place = _place(new, starts, channels)
    before = values[place]
    given = ~np.isnan(new.values)
    known = given & ~np.isnan(before)
    same = known & (before.view(np.int64) == np.ascontiguousarray(new.values).view(np.int64))
    values[place] = np.where(given, new.values, before)
    total, met, equal = (int(np.count_nonzero(flags)) for flags in (given, known, same))
    return Day(starts, channels, values), Counts(total - met, equal, met - equal)


def join(days: Iterable[Day]) -> Table:
    """One table of days of one source in order of time."""
    parts = list(days)
    if not parts:
        return Table(np.empty(0, dtype=np.int64), {})
    channels = parts[0].channels
    starts = np.concatenate([part.starts for part in parts])
    if any(part.channels != channels for part in parts):
        channels = tuple(sorted({channel for part in parts for channel in part.channels}))
        parts = [Day(part.starts, channels, _spread(part, part.starts, channels)) for part in parts]
    values = np.concatenate([part.values for part in parts], axis=1)
    return Table(starts, dict(zip(channels, values, strict=True)))


def _spread(day: Day, starts: Seconds, channels: tuple[Channel, ...]) -> Values:
    """A copy of the day's values on more starts and channels, gaps elsewhere."""
    if starts is day.starts and channels is day.channels:
        return day.values.copy()
    values = np.full((len(channels), starts.size), np.nan)
    values[_place(day, starts, channels)] = day.values
    return values


def _place(day: Day, starts: Seconds, channels: tuple[Channel, ...]) -> tuple[npt.NDArray[np.intp], ...]:
    """Where a day's values stand among more starts and channels."""
    row_of = {channel: row for row, channel in enumerate(channels)}
    rows = np.array([row_of[channel] for channel in day.channels], dtype=np.intp)
    return np.ix_(rows, np.searchsorted(starts, day.starts))
