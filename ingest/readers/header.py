"""Finds the header line among the junk before it, and with it the delimiter."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from ingest.errors import InputError
from ingest.readers.rejects import Rejects, shorten
from ingest.readers.text import MAX_LINE, split_line

DELIMITERS = (",", ";", "\t", "|")
_SEARCHED = 50


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands (1-based line, byte offset of what follows) and what it holds."""

    line: int
    body: int
    delimiter: str
    names: tuple[str, ...]

    def find(self, name: str) -> tuple[int, ...]:
        """Places of a column, by its exact name first, else in any case of letters."""
        exact = tuple(i for i, n in enumerate(self.names) if n == name)
        return exact or tuple(i for i, n in enumerate(self.names) if n.casefold() == name.casefold())

    def count(self, names: Sequence[str]) -> int:
        """How many of some columns are here."""
        here = {n.casefold() for n in self.names}
        return sum(name.casefold() in here for name in names)

    def nearest(self, name: str, known: Collection[str] = ()) -> str:
        """A hint such as `; did you mean 'Time'?` from the names that nobody else claims, or nothing."""
        claimed = {n.strip().casefold() for n in known}
        folded = {n.casefold(): n for n in self.names if n and n.casefold() not in claimed}
        near = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
        return f"; did you mean {folded[near[0]]!r}?" if near else ""

    @property
    def nothing_below(self) -> str:
        """What to say of a file that ends with its header."""
        return f"there are no rows below the header (line {self.line})"

    def shown(self) -> str:
        """The names as a person reads them."""
        return shorten(", ".join(n for n in self.names if n))


def find_header(
    data: bytes,
    *,
    name: str,
    time: str,
    columns: Sequence[str],
    delimiter: str | None = None,
    more: Callable[[Header], int] = lambda _: 0,
) -> Header:
    """The line that holds the time column and most of the other columns.

    `more` counts further columns that are wanted but not known by name. InputError when none of the first 50 lines
    holds the time column.
    """
    time, columns = time.strip(), [c.strip() for c in columns]
    best: tuple[int, Header] | None = None
    timeless: tuple[int, Header] | None = None
    for header in _candidates(data, DELIMITERS if delimiter is None else (delimiter,)):
        known = header.count(columns)
        found = known + more(header)
        if header.count((time,)):
            best = (found, header) if best is None or found > best[0] else best
            if found and known == len(columns):
                break
        elif found:
            timeless = (found, header) if timeless is None or found > timeless[0] else timeless
    if best is not None:
        return best[1]
    if timeless is not None:
        near = timeless[1]
        raise InputError(
            name,
            f"the time column {time!r} is not in the header (line {near.line}), which holds {near.shown()}"
            f"{near.nearest(time, columns)}",
        )
    wanted = shorten(", ".join([time, *columns]))
    first = shorten(data[:MAX_LINE].split(b"\n", 1)[0].decode(errors="replace"))
    divided = "" if delimiter is None else f" divided by {delimiter!r} as text.delimiter declares"
    raise InputError(
        name,
        f"no complete header line in the first {_SEARCHED} lines; expected the columns {wanted}{divided}; "
        f"the first line holds {first!r}",
    )


def place_columns(header: Header, *, time: str, columns: Sequence[str], rejects: Rejects) -> dict[str, int]:
    """Place of each declared column; one that is absent or stands twice is set aside, the others go on."""
    known = (time, *columns)
    places: dict[str, int] = {}
    for column in known:
        found = header.find(column.strip())
        if len(found) == 1:
            places[column] = found[0]
        elif found:
            rejects.add(header.line, column, header.shown(), f"the column {column!r} stands {len(found)} times here")
        else:
            rejects.add(
                header.line,
                column,
                header.shown(),
                f"there is no column {column!r}; the file has {header.shown()}{header.nearest(column, known)}",
            )
    return places


def _candidates(data: bytes, delimiters: Sequence[str]) -> Iterator[Header]:
    """Each of the first lines that ends, split by each delimiter."""
    start = 0
    for line in range(1, _SEARCHED + 1):
        end = data.find(b"\n", start)
        if end < 0:
            break
        text = data[start:end].decode()
        start = end + 1
        for delimiter in delimiters if text else ():
            names = split_line(text, delimiter)
            if names is not None:
                yield Header(line, start, delimiter, _trim(names))


def _trim(names: list[str]) -> tuple[str, ...]:
    """Without the nameless columns at the end that a trailing delimiter leaves."""
    while len(names) > 1 and not names[-1]:
        names = names[:-1]
    return tuple(names)
