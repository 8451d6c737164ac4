"""A text of any size read in pieces: each is a table with the file's header before it, and lines keep their numbers.

Pieces are cut only between sound rows, and not near the repeated hour of autumn, whose two passes are told apart by
the rows around it. How the file is written is found once and holds for all of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from ingest.readers import reader_for
from ingest.readings import Dialect, ReadResult, Reject
from ingest.script import find_script
from ingest.sources import TableSource
from ingest.timeline import zone_of, zone_table

PIECE = 8 << 20  # bytes
_SAMPLE = 1 << 18
_BESIDE = 4  # lines on either side of a cut that must be sound rows
_TRIES = 8
_LEAST_MARGIN_S = 2 * 3600


def read_in_pieces(chunks: Callable[[], Iterator[bytes]], *, name: str, source: TableSource) -> Iterator[ReadResult]:
    """Read a text that is too large to be held; InputError, before any result, when it is none as a whole."""
    script = find_script(chunks(), name=name, declared=source.text.encoding)
    text = source.text.model_copy(update={"encoding": None})  # as the pieces come in UTF-8
    source = source.model_copy(update={"text": text})
    lines = _Lines(script.lines(chunks()))
    sample = reader_for(source)(lines.peek(_SAMPLE), name=name)
    if sample.dialect is None or not (sample.rows or sample.tables):
        yield replace(sample, notes=script.notes + sample.notes)
        return
    reading = _Reading(source, name, lines.take_lines(sample.dialect.header_line), sample.dialect)
    for number, (before, piece) in enumerate(_cut(lines, reading.is_safe)):
        result = reading.read(piece, before)
        dialect = replace(result.dialect, encoding=script.encoding) if result.dialect is not None else None
        yield replace(result, notes=result.notes if number else script.notes + result.notes, dialect=dialect)


class _Lines:
    """A text from its beginning, of which some is looked at and taken at a time."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self._chunks, self._held = chunks, bytearray()
        self.taken = 0  # lines
        self.is_all_held = False

    def hold(self, size: int) -> bytearray:
        """At least so many bytes, or all that is left."""
        while len(self._held) < size and not self.is_all_held:
            chunk = next(self._chunks, None)
            self.is_all_held = chunk is None
            self._held += chunk or b""
        return self._held

    def peek(self, size: int) -> bytes:
        """About so many bytes of whole lines."""
        held = self.hold(size)
        return bytes(held[: held.rfind(b"\n", 0, size) + 1])

    def take(self, size: int) -> bytes:
        """Hand over so many bytes."""
        data = bytes(self._held[:size])
        del self._held[:size]
        self.taken += data.count(b"\n")
        return data

    def take_lines(self, count: int) -> bytes:
        """Hand over so many lines."""
        at = 0
        for _ in range(count):
            at = self._held.find(b"\n", at) + 1
        return self.take(at)


class _Reading:
    """Reads pieces as if each were the file, with what is known by then of the way it is written."""

    def __init__(self, source: TableSource, name: str, head: bytes, dialect: Dialect) -> None:
        self._name, self._head, self._head_lines = name, head, head.count(b"\n")
        self._zone = zone_of(source.time.zone)
        self._margin_s = max(_LEAST_MARGIN_S, 2 * 60 * source.interval_minutes)
        self._source, self._reader = source, reader_for(source)
        self._declare(delimiter=dialect.delimiter)

    def read(self, piece: bytes, before: int) -> ReadResult:
        """Read a piece that stands below so many lines of the file."""
        result = self._reader(self._head + piece, name=self._name)
        if result.dialect is not None and result.dialect.decimal == "," and self._source.text.decimal is None:
            self._declare(decimal=",")  # a further piece might show too little to tell
        return replace(result, rejects=tuple(self._moved(result.rejects, before - self._head_lines)))

    def is_safe(self, rows: bytes) -> bool:
        """Whether a text may be cut amid these lines: all are sound rows, and no clock is set back near them."""
        result = self._reader(self._head + rows, name=self._name)
        if result.rejects or result.rows < rows.count(b"\n") or not result.tables:
            return False
        starts = np.concatenate([table.starts for table in result.tables])
        first, last = int(starts.min()), int(starts.max())
        table = zone_table(self._zone, first - self._margin_s, last + self._margin_s)
        changes, margin = table.changes[table.jumps < 0], self._margin_s - table.jumps[table.jumps < 0]
        return not ((changes > first - margin) & (changes < last + margin)).any()

    def _declare(self, **known: str) -> None:
        text = self._source.text.model_copy(update=known)
        self._source = self._source.model_copy(update={"text": text})
        self._reader = reader_for(self._source)

    def _moved(self, rejects: tuple[Reject, ...], lines: int) -> Iterator[Reject]:
        """Rejects by the lines of the file; the first piece has told what is wrong with the header."""
        for reject in rejects:
            if reject.line is None or (reject.line <= self._head_lines and not lines):
                yield reject
            elif reject.line > self._head_lines:
                yield replace(reject, line=reject.line + lines)


def _cut(lines: _Lines, is_safe: Callable[[bytes], bool]) -> Iterator[tuple[int, bytes]]:
    """Pieces of whole lines, the last one not a small one, each with the number of lines before it."""
    wanted = PIECE
    while True:
        held, before = lines.hold(wanted * 3 // 2), lines.taken
        if lines.is_all_held and len(held) <= wanted * 3 // 2:
            yield before, lines.take(len(held))
            return
        at = _safe_end(held, wanted, is_safe)
        if at is None and wanted < 4 * PIECE:
            wanted *= 2  # a repeated hour of many rows
            continue
        yield before, lines.take(at or held.rfind(b"\n", 0, wanted) + 1)
        wanted = PIECE


def _safe_end(held: bytearray, wanted: int, is_safe: Callable[[bytes], bool]) -> int | None:
    """A line end at or before the wanted size, but not too far, where the text may be cut."""
    for aim in range(wanted, wanted // 2, -(wanted // 2 // _TRIES)):
        end = held.rfind(b"\n", 0, aim) + 1
        first = last = end
        for _ in range(_BESIDE):
            first, last = held.rfind(b"\n", 0, first - 1) + 1, held.find(b"\n", last) + 1
        if is_safe(bytes(held[first:last])):
            return end
    return None
