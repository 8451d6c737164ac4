"""The rows below the header: a quick look that gives up at the first doubt, and a careful one that names lines."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv as pacsv

from ingest.readers.header import Header
from ingest.readers.numbers import MISSING, decimal_mark, proves_decimal_comma, read_numbers, why_no_number
from ingest.readers.rejects import Rejects
from ingest.readers.text import split_line
from ingest.readers.times import expected_form, read_stamp
from ingest.readings import Values
from ingest.sources import TimeSpec

_SAMPLE_ROWS = 200
_TAIL_LINES = 20
_THREADS_FROM = 1 << 20
_PACKED_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which columns of a file are read: the time, others as texts, others as numbers (name to place)."""

    spec: TimeSpec
    time: int
    texts: dict[str, int]
    numbers: dict[str, int]

    @property
    def places(self) -> tuple[int, ...]:
        """Every place once, in order."""
        return tuple(sorted({self.time, *self.texts.values(), *self.numbers.values()}))


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

    def __len__(self) -> int:
        return len(self.times)


def quick_look(data: bytes, header: Header, wanted: Wanted) -> Sheet | None:
    """Parse a body in which every line is a sound row; None when in doubt."""
    end, remarks = _cut_tail(data, header, wanted)
    if end is None:
        return None
    body = memoryview(data)[header.body : end]
    mark = "," if _has_decimal_comma(data, header, wanted) else "."
    if mark == "," and header.delimiter == ",":
        return None
    types = {_key(p): pa.string() for p in (wanted.time, *wanted.texts.values())}
    types |= {_key(p): pa.float64() for p in wanted.numbers.values()}
    table = _parse(body, header, wanted, types, decimal_point=mark)
    if table is None or table.num_rows != data.count(b"\n", header.body, end):
        return None
    numbers = {name: _float(table[_key(place)]) for name, place in wanted.numbers.items()}
    if any(np.isinf(values).any() for values in numbers.values()):
        return None
    texts = {name: _text(table[_key(place)]) for name, place in wanted.texts.items()}
    return Sheet(None, _text(table[_key(wanted.time)]), texts, numbers, notes=_notes(Counter(remarks=remarks)))


def careful_look(data: bytes, header: Header, wanted: Wanted, rejects: Rejects) -> Sheet:
    """Split line by line, set aside what is no row or holds no number, and know every line's number."""
    kept = _Kept(wanted)
    lines = data[header.body :].split(b"\n")
    partial = lines.pop()
    for number, raw in enumerate(lines, header.line + 1):
        if raw:
            _sort_line(number, raw.decode(), header, wanted, rejects, kept)
    if partial.strip():
        _sort_partial(header.line + 1 + len(lines), partial.decode(), header, wanted, rejects, kept)
    if kept.sums and not kept.lines:
        _reject_sums(kept, wanted, rejects)
    columns = kept.columns()
    numbers = _read_all_numbers(kept, {name: columns[place] for name, place in wanted.numbers.items()}, rejects)
    texts = {name: columns[place] for name, place in wanted.texts.items()}
    where = np.array(kept.lines, np.int64)
    return Sheet(where, columns[wanted.time], texts, numbers, kept.lost, _notes(kept.left_out))


class _Kept:
    """The wanted cells of the rows that are taken, and counts of the lines that are not."""

    def __init__(self, wanted: Wanted) -> None:
        self.lines: list[int] = []
        self.cells: dict[int, list[str]] = {place: [] for place in wanted.places}
        self._packed: dict[int, list[Any]] = {place: [] for place in wanted.places}
        self.lost = 0
        self.left_out: Counter[str] = Counter()
        self.sums: list[tuple[int, str]] = []  # lines with a word for a time and numbers: sums, if no row follows

    def take(self, number: int, cells: list[str]) -> None:
        """Keep a row."""
        self.lines.append(number)
        for place, column in self.cells.items():
            column.append(cells[place])
        if len(self.lines) % _PACKED_ROWS == 0:  # texts one by one take ten times the memory
            self._pack()

    def columns(self) -> dict[int, Any]:
        """The kept cells, a column of texts for each place."""
        self._pack()
        return {place: _text(pa.chunked_array(parts, pa.string())) for place, parts in self._packed.items()}

    def _pack(self) -> None:
        for place, column in self.cells.items():
            self._packed[place].append(pa.array(column, pa.string()))
            column.clear()


def _sort_line(number: int, raw: str, header: Header, wanted: Wanted, rejects: Rejects, kept: _Kept) -> None:
    cells = split_line(raw, header.delimiter)
    if cells is None:
        kept.lost += 1
        rejects.add(number, "", raw, "a quote is opened and not closed on this line")
    elif not any(cells):
        return
    elif tuple(cells[: len(header.names)]) == header.names:
        kept.left_out["repeated"] += 1
    elif _is_remark(cells, wanted):
        kept.left_out["remarks"] += 1
        if _has_number(cells, wanted):
            kept.sums.append((number, cells[wanted.time]))
    elif len(cells) >= len(header.names) and not any(cells[len(header.names) :]):
        if kept.sums:
            _reject_sums(kept, wanted, rejects)
        kept.take(number, cells)
    else:
        kept.lost += 1
        rejects.add(number, "", raw, _wrong_count(len(cells), header))


def _sort_partial(number: int, raw: str, header: Header, wanted: Wanted, rejects: Rejects, kept: _Kept) -> None:
    """The last line, when it has no end: its last cell may be cut short, so it is not taken."""
    cells = split_line(raw, header.delimiter)
    if cells is not None and _is_remark(cells, wanted):
        kept.left_out["remarks"] += 1
        return
    kept.lost += 1
    rejects.add(
        number, "", raw, "the last line is partial (no line end), so a number may be cut short; it is not taken"
    )


def _reject_sums(kept: _Kept, wanted: Wanted, rejects: Rejects) -> None:
    """A sum stands at the end: what looked like one among the rows is a row whose time is damaged."""
    for number, text in kept.sums:
        rejects.add(number, wanted.spec.column, text, f"not a time; expected {expected_form(wanted.spec)}")
    kept.left_out["remarks"] -= len(kept.sums)
    kept.lost += len(kept.sums)
    kept.sums.clear()


def _wrong_count(found: int, header: Header) -> str:
    hint = ""
    if found > len(header.names) and header.delimiter == ",":
        hint = " (decimal commas need quotes or another delimiter)"
    return f"{found} cells, expected {len(header.names)} as in the header (line {header.line}){hint}"


def _is_remark(cells: list[str], wanted: Wanted) -> bool:
    """Whether a line is no reading: no time, nothing that looks like a damaged one, and a word there or no number.

    Such are footers, sums, comments and section titles.
    """
    time = cells[wanted.time] if wanted.time < len(cells) else ""
    if time[:1].isdigit() or read_stamp(time, wanted.spec) is not None:
        return False
    if time not in MISSING and not any(character.isdigit() for character in time):
        return True
    return not _has_number(cells, wanted)


def _has_number(cells: list[str], wanted: Wanted) -> bool:
    places = wanted.numbers.values() or wanted.texts.values()
    return any(_is_number(cells[place]) for place in places if place < len(cells))


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return cell not in MISSING


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
        if cells is None or (any(cells) and not _is_remark(cells, wanted)):
            return end, remarks
        remarks += any(cells)
        end = start
    return None, 0


def _has_decimal_comma(data: bytes, header: Header, wanted: Wanted) -> bool:
    """Whether the first rows prove that the file writes decimal commas."""
    start = header.body
    for _ in range(_SAMPLE_ROWS):
        end = data.find(b"\n", start)
        if end < 0:
            return False
        line = data[start:end]
        start = end + 1
        if b"," not in line:
            continue
        cells = split_line(line.decode(), header.delimiter) or []
        if any(proves_decimal_comma(cells[p]) for p in wanted.numbers.values() if p < len(cells)):
            return True
    return False


def _parse(body: Any, header: Header, wanted: Wanted, types: dict[str, Any], *, decimal_point: str) -> Any:
    """One pyarrow pass; None when a line or a cell does not fit."""
    names = [_key(place) for place in range(len(header.names))]
    include = [_key(place) for place in wanted.places]
    if not len(body):
        return pa.table({name: pa.array([], types[name]) for name in include})
    try:
        return pacsv.read_csv(
            pa.BufferReader(pa.py_buffer(body)),
            read_options=pacsv.ReadOptions(
                column_names=names, use_threads=len(body) > _THREADS_FROM, block_size=1 << 20
            ),
            parse_options=pacsv.ParseOptions(delimiter=header.delimiter),
            convert_options=pacsv.ConvertOptions(
                include_columns=include,
                column_types=types,
                null_values=list(MISSING),
                strings_can_be_null=False,
                decimal_point=decimal_point,
            ),
        )
    except pa.ArrowInvalid:
        return None


def _read_all_numbers(kept: _Kept, columns: dict[str, Any], rejects: Rejects) -> dict[str, Values]:
    mark = decimal_mark(columns.values())
    numbers: dict[str, Values] = {}
    for name, column in columns.items():
        read = read_numbers(column, mark)
        numbers[name] = read.values
        for row in np.flatnonzero(read.bad).tolist():
            cell = column[row].as_py()
            rejects.add(kept.lines[row], name, cell, why_no_number(cell, mark))
    return numbers


def _notes(left_out: Counter[str]) -> tuple[str, ...]:
    texts = {"repeated": "repeated header lines left out", "remarks": "lines that are no readings left out"}
    return tuple(f"{left_out[key]} {text}" for key, text in texts.items() if left_out[key])


def _key(place: int) -> str:
    return f"c{place}"


def _text(column: Any) -> Any:
    return column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)


def _float(column: Any) -> Values:
    return np.array(column.to_numpy(), np.float64)
