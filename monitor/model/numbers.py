"""Numbers of one subject's nights, kept in columns: a night a row, a name a column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Values

Ordinals = npt.NDArray[np.int64]
Figures = npt.NDArray[np.float32]

_FEW_NIGHTS, _FEW_NAMES = 32, 2


@dataclass(frozen=True, slots=True)
class Nights:
    """Numbers by name of N nights, oldest first: shape (N, names), NaN where a night did not keep one."""

    table: Figures
    at: Mapping[str, int]

    @classmethod
    def of(cls, nights: Sequence[Mapping[str, float | None]]) -> Nights:
        """From the nights' own mappings."""
        names = {name: n for n, name in enumerate(dict.fromkeys(name for night in nights for name in night))}
        rows = [[_number(night.get(name)) for name in names] for night in nights]
        return cls(np.array(rows, dtype=np.float32).reshape(len(nights), len(names)), names)

    def __len__(self) -> int:
        """How many nights."""
        return len(self.table)

    def column(self, name: str) -> Values:
        """One number of every night, NaN where there is none; shape (N,)."""
        at = self.at.get(name)
        return np.full(len(self), np.nan) if at is None else self.table[:, at].astype(np.float64)

    def known(self, name: str) -> Values:
        """One number of the nights that kept it."""
        values = self.column(name)
        return values[~np.isnan(values)]

    def last(self, name: str) -> float | None:
        """One number of the newest night."""
        at = self.at.get(name)
        if at is None or not len(self):
            return None
        value = float(self.table[-1, at])
        return None if np.isnan(value) else value

    def named(self, prefix: str) -> list[str]:
        """Names with a beginning that any of the nights kept, sorted."""
        return sorted(n for n, at in self.at.items() if n.startswith(prefix) and not np.isnan(self.table[:, at]).all())

    def having(self, name: str) -> Nights:
        """The nights that kept a number."""
        return Nights(self.table[~np.isnan(self.column(name))], self.at)

    def newest(self, most: int) -> Nights:
        """The last so many nights."""
        return Nights(self.table[-most:], self.at)


class NumberStore:
    """Nights of one subject, added one after the other; old ones are forgotten from the front."""

    __slots__ = ("_begin", "_days", "_end", "_names", "_table")

    def __init__(self) -> None:
        """Without any night."""
        self._names: dict[str, int] = {}
        self._days: Ordinals = np.zeros(0, dtype=np.int64)
        self._table: Figures = np.zeros((0, 0), dtype=np.float32)
        self._begin = self._end = 0

    @classmethod
    def of(cls, parts: Sequence[tuple[Ordinals, Nights]]) -> NumberStore:
        """With nights from before: parts that follow each other, each with the rising ordinals of its days."""
        store = cls()
        store._names = {name: n for n, name in enumerate(dict.fromkeys(name for _, p in parts for name in p.at))}
        count = sum(days.size for days, _ in parts)
        store._days, store._table = _room(count, len(store._names))
        for days, nights in parts:
            end = store._end + days.size
            store._days[store._end : end] = days
            store._table[store._end : end, [store._names[name] for name in nights.at]] = nights.table[
                :, list(nights.at.values())
            ]
            store._end = end
        return store

    def add(self, day: int, values: Mapping[str, float | None]) -> None:
        """Take a night that is later than all before; a number that is not finite is not kept."""
        values = {name: value for name, value in values.items() if value is not None and np.isfinite(value)}
        if self._begin < self._end and day <= self._days[self._end - 1]:
            raise ValueError(f"nights come one after the other: got day {day} after {self._days[self._end - 1]}")
        self._make_room(list(values))
        row = self._table[self._end]
        row[:] = np.nan
        for name, value in values.items():
            row[self._names[name]] = value
        self._days[self._end] = day
        self._end += 1

    def forget(self, before: int) -> None:
        """Drop the nights before a day."""
        while self._begin < self._end and self._days[self._begin] < before:
            self._begin += 1

    def __len__(self) -> int:
        """How many nights are kept."""
        return self._end - self._begin

    @property
    def days(self) -> Ordinals:
        """Ordinals of the days kept."""
        return self._days[self._begin : self._end]

    def nights(self) -> Nights:
        """All nights kept."""
        return Nights(self._table[self._begin : self._end], self._names)

    def between(self, first: int, last: int) -> tuple[Ordinals, Nights]:
        """Days and nights of a range, both ends included."""
        days = self.days
        part = slice(int(np.searchsorted(days, first)), int(np.searchsorted(days, last, side="right")))
        return days[part], Nights(self.nights().table[part], self._names)

    def _make_room(self, wanted: Sequence[str]) -> None:
        new = [name for name in wanted if name not in self._names]
        if self._end < len(self._table) and len(self._names) + len(new) <= self._table.shape[1]:
            if new:  # what was handed out keeps its own names
                self._names = self._names | {name: len(self._names) + n for n, name in enumerate(new)}
            return
        # A store that forgets a night for each it takes comes here once in so many nights, and does not grow.
        live = self.nights()
        old = [name for name in live.at if name in wanted or live.known(name).size]
        names = [*old, *new]
        days, table = _room(len(live), len(names))
        for n, name in enumerate(old):
            table[: len(live), n] = live.table[:, live.at[name]]
        days[: len(live)] = self.days
        self._names = {name: n for n, name in enumerate(names)}
        self._table, self._days, self._begin, self._end = table, days, 0, len(live)


def _room(nights: int, names: int) -> tuple[Ordinals, Figures]:
    table = np.full((nights + _FEW_NIGHTS, names + _FEW_NAMES), np.nan, dtype=np.float32)
    return np.zeros(len(table), dtype=np.int64), table


def _number(value: float | None) -> float:
    return np.nan if value is None or not np.isfinite(value) else float(value)
