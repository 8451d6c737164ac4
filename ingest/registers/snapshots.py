"""The registers of one unit over its polls, kept by register; a poll need not hold them all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Mask, Seconds
from ingest.registers.words import Numbers, Words

Bank = Mapping[int, int]  # address to word, of one unit at one time


@dataclass(frozen=True, slots=True)
class Rows:
    """Single registers as they were read: the poll each belongs to, its address, its word, its line in the file."""

    polls: Numbers
    addresses: Numbers
    words: Numbers
    lines: Numbers

    def take(self, chosen: npt.NDArray[np.intp]) -> Rows:
        """Some of the rows, in an order."""
        return Rows(self.polls[chosen], self.addresses[chosen], self.words[chosen], self.lines[chosen])


@dataclass(frozen=True, slots=True)
class Repeats:
    """How many rows repeat a register of a poll, and how many of those differ from the row that was taken."""

    rows: int
    differing: int


@dataclass(frozen=True, slots=True)
class Snapshots:
    """One unit's polls: `times` of the polls, and rows in order of address and poll, each pair once.

    `passes` tells of a row how often its register came in its poll where its words differ, and is 1 elsewhere.
    """

    unit: int
    times: Seconds
    rows: Rows
    passes: Numbers

    def __len__(self) -> int:
        return self.times.size

    def read(self, address: int, count: int = 1) -> tuple[Words, Mask]:
        """Words of neighbouring registers and which of them are there, both of shape (polls, count)."""
        words, there = np.zeros((len(self), count), np.uint16), np.zeros((len(self), count), bool)
        for column in range(count):
            mine = self._rows_of(address + column)
            polls = self.rows.polls[mine]
            words[polls, column], there[polls, column] = self.rows.words[mine], True
        return words, there

    def in_step(self, address: int, count: int) -> Mask:
        """Polls in which neighbouring registers came equally often, so that their last words belong together."""
        passes = np.ones((len(self), count), np.int64)
        for column in range(count):
            mine = self._rows_of(address + column)
            passes[self.rows.polls[mine], column] = self.passes[mine]
        return np.asarray(np.all(passes == passes[:, :1], axis=1))

    def has(self, address: int) -> bool:
        """Whether any poll holds a register."""
        mine = self._rows_of(address)
        return bool(mine.stop > mine.start)

    def line(self, poll: int, address: int) -> int | None:
        """The line of the file on which a register of a poll stands."""
        mine = self._rows_of(address)
        place = mine.start + int(np.searchsorted(self.rows.polls[mine], poll))
        found = place < mine.stop and self.rows.polls[place] == poll
        return int(self.rows.lines[place]) if found else None

    def _rows_of(self, address: int) -> slice:
        first, end = np.searchsorted(self.rows.addresses, [address, address + 1])
        return slice(int(first), int(end))


def snapshots(unit: int, times: Seconds, rows: Rows) -> tuple[Snapshots, Repeats]:
    """One unit's rows put in order; of a register that a poll holds several times the last row is taken."""
    order = np.lexsort((rows.polls, rows.addresses))  # stable: later rows of the file stay later
    rows = rows.take(order)
    same = (np.diff(rows.addresses) == 0) & (np.diff(rows.polls) == 0)
    taken = np.flatnonzero(np.append(~same, True)[: order.size])
    stands_for = np.searchsorted(taken, np.arange(order.size))
    differs = rows.words != rows.words[taken][stands_for]
    count, differing = np.bincount(stands_for, minlength=1), np.bincount(stands_for, differs, minlength=1)
    passes = np.where(differing > 0, count, 1)[: taken.size]
    repeats = Repeats(order.size - taken.size, int(np.count_nonzero(differs)))
    return Snapshots(unit, times, rows.take(taken), passes), repeats


def snapshot_of(unit: int, bank: Bank) -> Snapshots:
    """The one poll that a bank is."""
    addresses = np.array(sorted(bank), np.int64)
    words = np.array([bank[address] for address in addresses.tolist()], np.int64)
    none = np.zeros(addresses.size, np.int64)
    return Snapshots(unit, np.zeros(1, np.int64), Rows(none, addresses, words, none), np.ones(addresses.size, np.int64))
