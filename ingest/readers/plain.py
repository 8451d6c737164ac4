"""Tells plain rows from odd lines by their bytes alone, all lines at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readers.header import Header
from ingest.readers.sheet import Wanted
from ingest.readings import Mask

Bytes = npt.NDArray[np.uint8]
Places = npt.NDArray[np.int64]
_END, _QUOTE, _BLANK = ord("\n"), ord('"'), ord(" ")
_MOST_BLANKS = 8


@dataclass(frozen=True, slots=True)
class Lines:
    """The ended lines of a piece of text: where each begins, where its line feed stands, and whether it is plain.

    A plain line is a row for certain: it has the usual number of cells, its quotes pair up around whole cells, and its
    time begins with a digit. What is not plain may still be a row.
    """

    begins: Places
    ends: Places
    plain: Mask


def row_width(body: memoryview, header: Header) -> int:
    """Cells of a usual line: those of the header, or some empty ones more, as delimiters at the line's end leave them.

    The first line tells.
    """
    head = bytes(body[: 1 << 16]).split(b"\n", 1)[0]
    extra = len(head) - len(head.rstrip(header.delimiter.encode()))
    cells = head.count(header.delimiter.encode()) + 1 if _QUOTE not in head else len(header.names)
    return cells if len(header.names) < cells <= len(header.names) + extra else len(header.names)


def sort_lines(body: memoryview, header: Header, wanted: Wanted, width: int) -> Lines:
    """Sort the lines of a body that ends with a line feed."""
    text = np.frombuffer(body, np.uint8)
    delimiter = ord(header.delimiter)
    ends = np.flatnonzero(text == _END)
    begins = np.concatenate([np.zeros(1, np.int64), ends[:-1] + 1]) if ends.size else ends
    cuts = np.flatnonzero(text == delimiter)
    plain = np.full(ends.size, not header.names[wanted.time][:1].isdigit())
    quotes = np.flatnonzero(text == _QUOTE)
    if quotes.size:
        paired, inside = _pair(text, quotes, cuts, begins, ends, delimiter)
        plain &= paired
        cuts = cuts[~inside]
    first = np.searchsorted(cuts, begins)
    plain &= np.searchsorted(cuts, ends) - first == width - 1
    for back in range(1, width - len(header.names) + 1):
        plain &= text[np.maximum(ends - back, 0)] == delimiter
    rows = np.flatnonzero(plain)
    at = begins[rows] if wanted.time == 0 else cuts[first[rows] + wanted.time - 1] + 1
    plain[rows] = _begins_with_digit(text, at)
    return Lines(begins, ends, plain)


def well_quoted(body: memoryview, header: Header) -> bool:
    """Whether all quotes of a body that ends with a line feed pair up around whole cells of one line."""
    text = np.frombuffer(body, np.uint8)
    quotes = np.flatnonzero(text == _QUOTE)
    if np.any(np.searchsorted(quotes, np.flatnonzero(text == _END)) % 2):
        return False
    outside = np.concatenate([quotes[::2] - 1, quotes[1::2] + 1])
    return bool(_at_edge(text, outside, ord(header.delimiter)).all())


def _at_edge(text: Bytes, places: Places, delimiter: int) -> Mask:
    """Whether a delimiter or a line's end stands at some places, or nothing does."""
    here = text[np.maximum(places, 0)]
    return np.asarray((here == delimiter) | (here == _END) | (places < 0))


def _pair(text: Bytes, quotes: Places, cuts: Places, begins: Places, ends: Places, delimiter: int) -> tuple[Mask, Mask]:
    """Lines whose quotes pair up around whole cells, and the delimiters that stand within quotes."""
    odd_so_far = np.cumsum(text == _QUOTE, dtype=np.uint8) & 1  # of the quotes up to and with each byte
    before_line = np.where(begins > 0, odd_so_far[begins - 1], 0)
    line = _lines_of(quotes, ends)
    opens = odd_so_far[quotes] != before_line[line]
    paired = odd_so_far[ends] == before_line
    paired[line[~_at_edge(text, np.where(opens, quotes - 1, quotes + 1), delimiter)]] = False
    return paired, odd_so_far[cuts] != before_line[_lines_of(cuts, ends)]


def _lines_of(places: Places, ends: Places) -> Places:
    """Which line each of some rising places is in."""
    counts = np.diff(np.searchsorted(places, ends), prepend=0)
    return np.repeat(np.arange(ends.size), counts)


def _begins_with_digit(text: Bytes, at: Places) -> Mask:
    """Whether the cells that begin at some places begin with a digit, blanks and a quote before it left out."""
    at = at.copy()
    for skipped in (_BLANK, _QUOTE, _BLANK):
        for _ in range(_MOST_BLANKS if skipped == _BLANK else 1):
            here = text[at] == skipped
            if not here.any():
                break
            at += here
    return (text[at] >= ord("0")) & (text[at] <= ord("9"))
