"""Marks on readings: what is wrong with them, told without taking any away."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import IntFlag

import numpy as np
import numpy.typing as npt

from ingest.readings import Channel, Seconds

Flags = npt.NDArray[np.uint8]


class Mark(IntFlag):
    """What can be wrong with a reading; several may hold at once."""

    RANGE = 1
    SPIKE = 2
    STUCK = 4
    DEAD = 8
    UNIT = 16


KINDS: dict[Mark, str] = {
    Mark.RANGE: "out of range",
    Mark.SPIKE: "a spike",
    Mark.STUCK: "stuck",
    Mark.DEAD: "of a dead channel",
    Mark.UNIT: "in another unit",
}


@dataclass(frozen=True, slots=True)
class MarkCount:
    """How many readings of a channel have one kind of mark, and when: starts of the first and last of them."""

    channel: Channel
    mark: Mark
    count: int
    first: int
    last: int

    def __str__(self) -> str:
        """A sentence part for a person; times in UTC."""
        first, last = (datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%d %H:%M") for at in (self.first, self.last))
        when = f"{first}" if first == last else f"{first} to {last}"
        readings = "reading" if self.count == 1 else "readings"
        return f"{self.channel.subject} {self.channel.quantity}: {self.count} {readings} {KINDS[self.mark]}, {when} UTC"


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks of a table: per channel one byte of `Mark` bits for each of its `starts`; channels without any left out."""

    starts: Seconds
    flags: Mapping[Channel, Flags]

    def between(self, begin: int, end: int) -> Marks:
        """The marks of readings that start from `begin` up to `end`."""
        part = slice(*np.searchsorted(self.starts, (begin, end)).tolist())
        flags = {channel: of[part] for channel, of in self.flags.items()}
        return Marks(self.starts[part], {channel: of for channel, of in flags.items() if of.any()})

    def summary(self) -> tuple[MarkCount, ...]:
        """Counts by channel and kind, in order."""
        return tuple(self._counts())

    def _counts(self) -> Iterator[MarkCount]:
        for channel in sorted(self.flags):
            for mark in Mark:
                rows = np.flatnonzero(self.flags[channel] & mark)
                if rows.size:
                    yield MarkCount(
                        channel, mark, int(rows.size), int(self.starts[rows[0]]), int(self.starts[rows[-1]])
                    )
