"""The rows below the header: a quick look that gives up at the first doubt, and a careful one that names lines."""

from __future__ import annotations

import contextlib
from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from ingest.readers.header import Header
from ingest.readers.numbers import Mark, Notation, decimal_mark, proves_decimal_comma, read_numbers, why_no_number
from ingest.readers.odd import OddLines, notes_of
from ingest.readers.plain import Lines, row_width, sort_lines, well_quoted
from ingest.readers.rejects import Rejects
from ingest.readers.sheet import Sheet, Wanted
from ingest.readers.text import split_line
from ingest.readings import Mask, Values

LineNumbers = npt.NDArray[np.int64]
Texts = dict[int, Any]  # place of a column to its cells, as texts

_SAMPLE_ROWS = 200
_TAIL_LINES = 20
_THREADS_FROM = 1 << 20
_PIECE = 4 << 20


def quick_look(data: bytes, header: Header, wanted: Wanted) -> Sheet | None:
    """Parse a body in which every line is a sound row; None when in doubt."""
    end, remarks = _cut_tail(data, header, wanted)
    if end is None or wanted.text.thousands is not None:
        return None
    body = memoryview(data)[header.body : end]
    mark, width = _sampled_mark(data, header, wanted), row_width(body, header)
    if mark == "," and header.delimiter == ",":
        return None
    if data.find(b'"', header.body, end) >= 0 and not well_quoted(body, header):
        return None
    spare = range(len(header.names), width)
    types = dict.fromkeys((*wanted.places, *spare), pa.string()) | dict.fromkeys(wanted.numbers.values(), pa.float64())
    table = _parse(body, header, wanted, types, width=width, mark=mark, threads=len(body) > _THREADS_FROM)
    if table is None or table.num_rows != data.count(b"\n", header.body, end):
        return None
    if any(pc.max(pc.binary_length(table[_key(place)])).as_py() for place in spare):
        return None
    numbers = {name: _float(table[_key(place)], wanted) for name, place in wanted.numbers.items()}
    known = {name: values for name, values in numbers.items() if values is not None}
    if len(known) < len(numbers):
        return None
    texts = {name: _text(table[_key(place)]) for name, place in wanted.texts.items()}
    times = _times({place: _text(table[_key(place)]) for place in wanted.time_places}, wanted)
    return Sheet(None, times, texts, known, notes=notes_of(Counter(remarks=remarks)), mark=mark)


def careful_look(data: bytes, header: Header, wanted: Wanted, rejects: Rejects) -> Sheet:
    """Set aside what is no row or holds no number, and know every line's number.

    Lines that are rows for certain are parsed together; only the others are looked at one by one.
    """
    odd, kept = OddLines(header, wanted, rejects), _Kept(wanted)
    number, begin, last = header.line + 1, header.body, data.rfind(b"\n") + 1
    while begin < last:
        end = data.rfind(b"\n", begin, begin + _PIECE) + 1
        number += _take_piece(memoryview(data)[begin:end], number, odd, kept)
        begin = end
    partial = data[begin:].decode()
    if partial.strip():
        odd.sort_partial(number, partial)
    odd.end()
    columns = kept.columns()
    notation = _notation([columns[place] for place in wanted.numbers.values()], wanted)
    numbers = {name: _read(name, columns[p], notation, kept.lines(), rejects) for name, p in wanted.numbers.items()}
    texts = {name: pc.utf8_trim_whitespace(columns[place]) for name, place in wanted.texts.items()}
    times = _times({place: pc.utf8_trim_whitespace(columns[place]) for place in wanted.time_places}, wanted)
    return Sheet(kept.lines(), times, texts, numbers, odd.lost, odd.notes(), notation.mark)


class _Kept:
    """The wanted cells of the rows that are taken."""

    def __init__(self, wanted: Wanted) -> None:
        self._lines: list[LineNumbers] = [np.zeros(0, np.int64)]
        self._parts: Texts = {place: [] for place in wanted.places}

    def take(self, lines: LineNumbers, columns: Texts) -> None:
        """Keep the rows of a further piece, in any order."""
        order = np.argsort(lines, kind="stable")
        sorted_already = bool(np.all(np.diff(lines) > 0))
        self._lines.append(lines[order])
        for place, parts in self._parts.items():
            parts.append(columns[place] if sorted_already else columns[place].take(pa.array(order)))

    def lines(self) -> LineNumbers:
        """Line of every row."""
        self._lines = [np.concatenate(self._lines)]
        return self._lines[0]

    def columns(self) -> Texts:
        """The kept cells, a column of texts for each place."""
        return {place: _text(pa.chunked_array(parts, pa.string())) for place, parts in self._parts.items()}


def _take_piece(piece: memoryview, number: int, odd: OddLines, kept: _Kept) -> int:
    """Take the rows of a piece that ends with a line feed; how many lines it has."""
    width = row_width(piece, odd.header)
    lines = sort_lines(piece, odd.header, odd.wanted, width)
    columns = _plain_columns(piece, lines, odd, width)
    plain = lines.plain if columns is not None else np.zeros(lines.plain.size, bool)
    found, rows = _odd_rows(piece, lines, plain, number, odd)
    at = np.concatenate([np.flatnonzero(plain), np.array(found, np.int64)])
    parts = {
        place: [*([columns[place]] if columns is not None else []), pa.array([row[place] for row in rows], pa.string())]
        for place in odd.wanted.places
    }
    kept.take(number + at, {place: _text(pa.chunked_array(two, pa.string())) for place, two in parts.items()})
    return lines.ends.size


def _odd_rows(
    piece: memoryview, lines: Lines, plain: Mask, number: int, odd: OddLines
) -> tuple[list[int], list[list[str]]]:
    """The rows among the lines that are not plain: their places in the piece and their cells."""
    found: list[int] = []
    rows: list[list[str]] = []
    rows_before = np.concatenate([[0], np.cumsum(plain)]).tolist()
    told = 0  # plain rows that the odd lines know of
    for line in np.flatnonzero(~plain).tolist():
        if rows_before[line] > told:
            told = rows_before[line]
            odd.rows_follow()
        raw = bytes(piece[lines.begins[line] : lines.ends[line]])
        cells = odd.sort(number + line, raw.decode()) if raw else None
        if cells is not None:
            found.append(line)
            rows.append(cells)
    if rows_before[-1] > told:
        odd.rows_follow()
    return found, rows


def _plain_columns(piece: memoryview, lines: Lines, odd: OddLines, width: int) -> Texts | None:
    """The wanted cells of the plain rows as texts; None when they cannot be parsed together."""
    text = _only(piece, lines)
    types = dict.fromkeys(odd.wanted.places, pa.string())
    table = _parse(text, odd.header, odd.wanted, types, width=width, threads=False)
    if table is None or table.num_rows != np.count_nonzero(lines.plain):
        return None
    return {place: _text(table[_key(place)]) for place in odd.wanted.places}


def _only(piece: memoryview, lines: Lines) -> Any:
    """The text of the plain rows alone."""
    if lines.plain.all():
        return piece
    edges = np.diff(np.concatenate([[0], lines.plain.astype(np.int8), [0]]))
    first, after = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    runs = zip(lines.begins[first].tolist(), (lines.ends[after - 1] + 1).tolist(), strict=True)
    return b"".join(piece[begin:end] for begin, end in runs)


def _cut_tail(data: bytes, header: Header, wanted: Wanted) -> tuple[int | None, int]:
    """Where the rows end before the blank lines and remarks at a file's end; None: a look at each line is due."""
    end, remarks = len(data), 0
    if end > header.body and data[-1:] != b"\n":
        return None, 0
    for _ in range(_TAIL_LINES):
        if end <= header.body:
            return (None if remarks else end), 0
        start = data.rfind(b"\n", 0, end - 1) + 1
        cells = split_line(data[start : end - 1].decode(), header.delimiter)
        if cells is None or (any(cells) and not wanted.is_remark(cells)):
            return end, remarks
        if tuple(cells[: len(header.names)]) == header.names:
            return None, 0
        remarks += any(cells)
        end = start
    return None, 0


def _sampled_mark(data: bytes, header: Header, wanted: Wanted) -> Mark:
    """The decimal mark that is declared, or that the first rows prove."""
    if wanted.text.decimal is not None:
        return wanted.text.decimal
    start = header.body
    if header.delimiter == "," and data.find(b'"', start) < 0:
        return "."  # a comma parts cells here
    for _ in range(_SAMPLE_ROWS):
        end = data.find(b"\n", start)
        if end < 0:
            return "."
        line = data[start:end]
        start = end + 1
        if b"," not in line:
            continue
        cells = split_line(line.decode(), header.delimiter) or []
        if any(proves_decimal_comma(cells[p]) for p in wanted.numbers.values() if p < len(cells)):
            return ","
    return "."


def _parse(
    body: Any, header: Header, wanted: Wanted, types: dict[int, Any], *, width: int, mark: str = ".", threads: bool
) -> Any:
    """One pyarrow pass; None when a line or a cell does not fit."""
    if not len(body):
        return pa.table({_key(place): pa.array([], types[place]) for place in wanted.places})
    try:
        return pacsv.read_csv(
            pa.BufferReader(pa.py_buffer(body)),
            read_options=pacsv.ReadOptions(
                column_names=[_key(place) for place in range(width)], use_threads=threads, block_size=1 << 20
            ),
            parse_options=pacsv.ParseOptions(delimiter=header.delimiter),
            convert_options=pacsv.ConvertOptions(
                include_columns=[_key(place) for place in types],
                column_types={_key(place): kind for place, kind in types.items()},
                null_values=list(wanted.missing),
                strings_can_be_null=False,
                decimal_point=mark,
            ),
        )
    except pa.ArrowInvalid:
        return None


def _notation(columns: list[Any], wanted: Wanted) -> Notation:
    mark = wanted.text.decimal if wanted.text.decimal is not None else decimal_mark(columns)
    return Notation(mark, wanted.text.thousands, wanted.missing)


def _read(name: str, column: Any, notation: Notation, lines: LineNumbers, rejects: Rejects) -> Values:
    read = read_numbers(column, notation)
    for row in np.flatnonzero(read.bad).tolist():
        cell = column[row].as_py().strip()
        rejects.add(int(lines[row]), name, cell, why_no_number(cell, notation))
    return read.values


def _times(texts: Texts, wanted: Wanted) -> Any:
    """The time cells; date and clock time joined by a blank where they are two."""
    if wanted.clock is None:
        return texts[wanted.time]
    date, clock = (pc.utf8_trim_whitespace(texts[place]) for place in wanted.time_places)
    return pc.binary_join_element_wise(date, clock, " ")


def _key(place: int) -> str:
    return f"c{place}"


def _text(column: Any) -> Any:
    return column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)


def _float(column: Any, wanted: Wanted) -> Values | None:
    """A parsed column; None where it holds what only a look at the texts can judge."""
    values = np.asarray(column.to_numpy(), np.float64)
    if np.count_nonzero(np.isfinite(values)) != len(column) - column.null_count:
        return None
    if wanted.text.missing and np.isin(values, _as_numbers(wanted.text.missing)).any():  # with blanks around it, say
        return None
    return values


def _as_numbers(markers: tuple[str, ...]) -> list[float]:
    numbers = []
    for marker in markers:
        with contextlib.suppress(ValueError):
            numbers.append(float(marker.replace(",", ".")))
    return numbers
