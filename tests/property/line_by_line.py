"""The body of a table read the plain way, a line at a time: what both looks of the reader must agree with."""

from __future__ import annotations

import math
import re

from ingest.readers.header import Header
from ingest.readers.numbers import decimal_mark
from ingest.readers.sheet import Wanted
from ingest.readers.text import split_line
from ingest.readings import Values

_PLAIN = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
Row = tuple[int, str, dict[str, str], dict[str, float]]  # line, time, texts, numbers
Told = tuple[int, str]  # line, column ("": the line)


def read(data: bytes, header: Header, wanted: Wanted) -> tuple[list[Row], set[Told], int]:
    """Rows, what is set aside, and how many lines are neither."""
    rows: list[tuple[int, list[str]]] = []
    aside: set[Told] = set()
    left_out, sums = 0, []
    *lines, partial = data[header.body :].decode().split("\n")
    for number, line in enumerate(lines, header.line + 1):
        cells = split_line(line, header.delimiter)
        if cells is None:
            aside.add((number, ""))
        elif not any(cells):
            continue
        elif tuple(cells[: len(header.names)]) == header.names:
            left_out += 1
        elif wanted.is_remark(cells):
            sums.append(number) if wanted.has_number(cells) else None
            left_out += 1
        elif len(cells) < len(header.names) or any(cells[len(header.names) :]):
            aside.add((number, ""))
        else:
            rows.append((number, cells))
    damaged = [n for n in sums if not rows or n < rows[-1][0]]
    aside |= {(number, wanted.spec.column) for number in damaged}
    if partial.strip():
        cells = split_line(partial, header.delimiter)
        if cells is not None and wanted.is_remark(cells):
            left_out += 1
        else:
            aside.add((header.line + 1 + len(lines), ""))
    return *_numbers(rows, wanted, aside), left_out - len(damaged)


def _numbers(rows: list[tuple[int, list[str]]], wanted: Wanted, aside: set[Told]) -> tuple[list[Row], set[Told]]:
    import pyarrow as pa

    mark = decimal_mark([pa.array([cells[p] for _, cells in rows], pa.string()) for p in wanted.numbers.values()])
    read: list[Row] = []
    for number, cells in rows:
        numbers = {name: _number(cells[place], mark, wanted) for name, place in wanted.numbers.items()}
        aside |= {(number, name) for name, value in numbers.items() if value is None}
        known = {name: math.nan if value is None else value for name, value in numbers.items()}
        read.append((number, wanted.stamp(cells), {name: cells[p] for name, p in wanted.texts.items()}, known))
    return read, aside


def _number(cell: str, mark: str, wanted: Wanted) -> float | None:
    if cell in wanted.missing:
        return math.nan
    if mark == "," and "." in cell:
        return None
    text = cell.replace(",", ".") if mark == "," else cell
    if mark == "?" and not re.fullmatch(r"[+-]?[0-9]+", text):
        return None
    if _PLAIN.fullmatch(text) is None or math.isinf(float(text)):
        return None
    return float(text)


def same(left: Values, right: list[float]) -> bool:
    """Equal numbers, gaps in the same places."""
    return len(left) == len(right) and all(a == b or (a != a and b != b) for a, b in zip(left, right, strict=True))
