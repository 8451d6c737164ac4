"""What a file says and cannot be true of this site is set aside: times of no roof, subjects that are not there."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from ingest.readings import ReadResult, Reject, Table

_WEATHER = ("irradiance_ghi", "irradiance_dni", "irradiance_dhi", "temperature_air", "wind_speed")
_DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class Believable:
    """Times from `earliest` up to and without `latest` [UTC epoch seconds], and the subjects of the site."""

    earliest: int
    latest: int
    subjects: frozenset[str]


@dataclass(frozen=True, slots=True)
class Times:
    """How many times were set aside, the first and the last of them."""

    count: int = 0
    first: int = 0
    last: int = 0

    def __add__(self, other: Times) -> Times:
        if not (self.count and other.count):
            return self if self.count else other
        return Times(self.count + other.count, min(self.first, other.first), max(self.last, other.last))


@dataclass(frozen=True, slots=True)
class Doubts:
    """What was set aside of a file, or of a piece of one."""

    strangers: frozenset[str] = frozenset()
    early: Times = Times()
    late: Times = Times()

    def __add__(self, other: Doubts) -> Doubts:
        return Doubts(self.strangers | other.strangers, self.early + other.early, self.late + other.late)

    def rejects(self, file: str, bounds: Believable) -> Iterator[Reject]:
        """A reject for each kind of doubt."""
        for subject in sorted(self.strangers):
            yield Reject(file, None, "", subject, "the site file has no such part; its readings were set aside")
        early = f"before {_text(bounds.earliest)}, the day before the site was commissioned"
        late = f"after {_text(bounds.latest)}, one day from now"
        for times, where in ((self.early, early), (self.late, late)):
            if times.count:
                rows = "1 time lies" if times.count == 1 else f"{times.count} times lie"
                yield Reject(file, None, "time", _text(times.first), f"{rows} {where}")

    def read_again_at(self, now: int) -> int | None:
        """When some of what lies in the future will be believable: then the file is read again, once a day at most."""
        if not self.late.count:
            return None
        first, last = (at - _DAY_S + 1 for at in (self.late.first, self.late.last))
        return max(first, min(last, now + _DAY_S))


def sift(result: ReadResult, bounds: Believable) -> tuple[ReadResult, Doubts]:
    """The result without what is out of bounds, and what that was."""
    known, strangers = _known_subjects(result, bounds.subjects)
    kept, early, late = _believable_times(known, bounds)
    return kept, Doubts(strangers, early, late)


def keep_believable(result: ReadResult, file: str, bounds: Believable) -> ReadResult:
    """The result of a whole file without what is out of bounds; a reject tells of each kind of it."""
    kept, doubts = sift(result, bounds)
    rejects = tuple(doubts.rejects(file, bounds))
    return replace(kept, rejects=(*kept.rejects, *rejects)) if rejects else kept


def _known_subjects(result: ReadResult, known: Collection[str]) -> tuple[ReadResult, frozenset[str]]:
    strange = frozenset(c.subject for table in result.tables for c in table.columns if c.subject not in known)
    if not strange:
        return result, strange
    tables = [
        Table(t.starts, {channel: values for channel, values in t.columns.items() if channel.subject in known})
        for t in result.tables
    ]
    return replace(result, tables=tuple(t for t in tables if t.columns)), strange


def _believable_times(result: ReadResult, bounds: Believable) -> tuple[ReadResult, Times, Times]:
    """Weather may go back further than the site: it serves as a long record and stays whole at that end."""
    tables, early, late = [], [], []
    for table in result.tables:
        is_late = table.starts >= bounds.latest
        is_early = (table.starts < bounds.earliest) & (not _is_weather(table))
        early.append(table.starts[is_early])
        late.append(table.starts[is_late])
        tables.append(_select(table, ~(is_early | is_late)))
    aside = _distinct(early), _distinct(late)
    if not (aside[0].count or aside[1].count):
        return result, *aside
    return replace(result, tables=tuple(t for t in tables if t.starts.size)), *aside


def _is_weather(table: Table) -> bool:
    return all(c.subject == "site" and c.quantity in _WEATHER for c in table.columns)


def _select(table: Table, rows: npt.NDArray[np.bool_]) -> Table:
    if rows.all():
        return table
    return Table(table.starts[rows], {channel: values[rows] for channel, values in table.columns.items()})


def _distinct(times: list[npt.NDArray[np.int64]]) -> Times:
    distinct = np.unique(np.concatenate(times)) if times else np.array([], dtype=np.int64)
    return Times(distinct.size, int(distinct[0]), int(distinct[-1])) if distinct.size else Times()


def _text(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")
