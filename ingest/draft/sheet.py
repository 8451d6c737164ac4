"""Looks for the table in a file of unknown layout: the delimiter, the header line, and the rows below it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingest.errors import InputError
from ingest.readers.header import DELIMITERS
from ingest.readers.numbers import MISSING
from ingest.readers.text import clean, split_line

_SEARCHED = 50
_TRIED_ROWS = 40
_MOST_ROWS = 60_000
_LOOKED_AT = 2000
_SHARE = 0.6
_CLOCKS = 12  # so many clock times in a line head the columns of a day
_TIMELIKE = re.compile(
    r"\d{1,4}[-/. ](\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{1,4}"  # a date
    r"|(?<!\d)\d{1,2}:\d{2}(?!\d)"  # a clock time
    r"|^(\d{10}|\d{13}|\d{8}[ T]?\d{4}(\d{2})?)$"  # seconds or milliseconds since 1970, or digits alone
)
_NUMBER = re.compile(r"^[+-]?(\d[\d.,' ]*|\.\d+|,\d+)([eE][+-]?\d+)?$")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as text: its header's names and the cells of its first rows, column by column."""

    name: str
    header_line: int  # 1-based
    delimiter: str
    names: tuple[str, ...]
    columns: tuple[list[str], ...]
    units: tuple[str, ...]  # of a line of units below the header; empty where there is none

    @property
    def rows(self) -> int:
        """Rows that were looked at."""
        return len(self.columns[0]) if self.columns else 0


def look_at(data: bytes, *, name: str) -> Sheet:
    """Find the table; InputError when there is none."""
    lines = clean(data, name=name).data.decode(errors="replace").split("\n")
    found = max(_candidates(lines), key=lambda one: one[0], default=None)
    if found is None:
        raise InputError(name, f"no table was found: {_why_none(lines)}")
    _, number, delimiter, names = found
    below = [cells for line in lines[number : number + _MOST_ROWS] if (cells := _cells(line, delimiter, len(names)))]
    rows = [cells for cells in below if any(is_time(cell) for cell in cells)]
    columns = tuple([row[place] for row in rows] for place in range(len(names)))
    return Sheet(name, number, delimiter, tuple(names), columns, _units(below[0] if below else []))


def _why_none(lines: Sequence[str]) -> str:
    for number, line in enumerate(lines[:_SEARCHED], 1):
        clocks = max(sum(map(_is_clock, split_line(line, d) or [])) for d in DELIMITERS)
        if clocks >= _CLOCKS:
            return (
                f"line {number} heads {clocks} columns with clock times, as in a table with a row a day; "
                "a draft does not know these: describe the source with across"
            )
    return (
        f"in the first {_SEARCHED} lines there is no header of two or more names above rows of as many cells, one of "
        f"them a time; the first line is {lines[0][:80]!r}"
    )


def _is_clock(cell: str) -> bool:
    return re.fullmatch(r"\d{1,2}:\d{2}(:\d{2})?", cell) is not None


def is_time(cell: str) -> bool:
    """Whether a cell looks like a date, a clock time or both."""
    return _TIMELIKE.search(cell) is not None


def is_number(cell: str) -> bool:
    """Whether a cell looks like a number, whatever its marks."""
    return _NUMBER.match(cell) is not None


def numeric_share(column: Sequence[str]) -> float:
    """Share of the filled cells that look like numbers, by some two thousand of them."""
    filled = [cell for cell in column[:: max(1, len(column) // _LOOKED_AT)] if cell not in MISSING]
    return sum(map(is_number, filled)) / len(filled) if filled else 0.0


def _candidates(lines: Sequence[str]) -> Iterator[tuple[tuple[float, int, int], int, str, list[str]]]:
    """Lines that may be the header: how well the next lines fit them, line number, delimiter, names."""
    for number, line in enumerate(lines[:_SEARCHED], 1):
        following = [text for text in lines[number : number + _TRIED_ROWS] if text.strip()]
        for delimiter in DELIMITERS:
            names = _trim(split_line(line, delimiter) or [])
            if sum(map(bool, names)) < 2 or any(is_number(n) or is_time(n) for n in names):
                continue
            good = sum(_is_row(_cells(text, delimiter, len(names))) for text in following)
            if good and good >= _SHARE * len(following):
                yield (good / len(following), len(names), -number), number, delimiter, names


def _is_row(cells: list[str]) -> bool:
    return any(map(is_time, cells)) and any(is_number(c) and not is_time(c) for c in cells)


def _cells(line: str, delimiter: str, count: int) -> list[str]:
    """The cells of a row of so many; nothing for another kind of line."""
    cells = split_line(line, delimiter) if line else None
    if cells is None or len(cells) < count or any(cells[count:]):
        return []
    return cells[:count]


def _trim(names: list[str]) -> list[str]:
    while len(names) > 1 and not names[-1]:
        names = names[:-1]
    return names


def _units(cells: Sequence[str]) -> tuple[str, ...]:
    """The cells of a line of units."""
    filled = [c for c in cells if c]
    short = [c for c in filled if len(c) <= 8 and not is_number(c) and not is_time(c)]
    return tuple(cells) if filled and len(short) == len(filled) and len(filled) >= len(cells) // 2 else ()
