"""What is wanted of a file's rows, and the rows once they are read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ingest.readers.numbers import MISSING, Mark
from ingest.readers.times import read_stamp
from ingest.readings import Values
from ingest.sources import TextSpec, TimeSpec


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which columns of a file are read: the time, others as texts, others as numbers (name to place)."""

    spec: TimeSpec
    time: int
    texts: dict[str, int]
    numbers: dict[str, int]
    clock: int | None = None  # the clock time, where the time column holds the date alone
    text: TextSpec = field(default_factory=TextSpec)

    @property
    def places(self) -> tuple[int, ...]:
        """Every place once, in order."""
        return tuple(sorted({*self.time_places, *self.texts.values(), *self.numbers.values()}))

    @property
    def time_places(self) -> tuple[int, ...]:
        """Places of the date and the clock time, or of both in one."""
        return (self.time,) if self.clock is None else (self.time, self.clock)

    @property
    def missing(self) -> tuple[str, ...]:
        """Cells that are gaps."""
        return (*MISSING, *self.text.missing)

    def stamp(self, cells: list[str]) -> str:
        """The time of a row of cells, as a text; of a short row what there is."""
        return " ".join(cells[place] if place < len(cells) else "" for place in self.time_places)

    def is_remark(self, cells: list[str]) -> bool:
        """Whether a line is no reading: no time, nothing that looks like a damaged one, and a word there or no number.

        Such are footers, sums, comments and section titles.
        """
        time = self.stamp(cells).strip()
        if time[:1].isdigit() or read_stamp(time, self.spec) is not None:
            return False
        if time not in MISSING and not any(character.isdigit() for character in time):
            return True
        return not self.has_number(cells)

    def has_number(self, cells: list[str]) -> bool:
        """Whether a number stands where one is wanted."""
        places = self.numbers.values() or self.texts.values()
        return any(_is_number(cells[place]) for place in places if place < len(cells))


@dataclass(frozen=True, slots=True)
class Sheet:
    """The wanted columns of the rows that could be split into cells; `lines` are their 1-based lines.

    A quick look does not know the lines (None): whoever then meets a bad row looks again, carefully.
    """

    lines: npt.NDArray[np.int64] | None
    times: Any
    texts: dict[str, Any]
    numbers: dict[str, Values]
    lost: int = 0  # rows that were set aside whole
    notes: tuple[str, ...] = ()
    mark: Mark = "."

    def __len__(self) -> int:
        return len(self.times)

    def line(self, row: int) -> int | None:
        """The 1-based line of a row, where it is known."""
        return int(self.lines[row]) if self.lines is not None else None


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return cell not in MISSING
