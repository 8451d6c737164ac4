"""Writes what a home says into files, each source in its dialect."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from monitor.demo.chance import Flags, Floats
from monitor.demo.plans import Column, Export, Home
from monitor.demo.production import Said
from monitor.demo.span import STEP_S, Span, Whole
from monitor.demo.text import cut, join, numbers, stamps

LEAST_MODULE_W = 2.0  # modules with their own electronics are asleep below


def write_exports(folder: Path, home: Home, span: Span, said: Said, silent: dict[str, Flags]) -> None:
    """Write all sources of a home below `incoming/ID`; `silent` marks the steps that a source lost."""
    target = folder / "incoming" / home.id
    target.mkdir(parents=True, exist_ok=True)
    for export in home.exports:
        steps = export.interval_minutes * 60 // STEP_S
        kept: Flags = ~np.any(silent[export.id].reshape(-1, steps), axis=1)
        starts = span.starts[::steps]
        wall = span.wall[::steps]
        lines, rows = _SHAPES[export.shape](export, span, said, kept, starts)
        _write_files(target, export, lines, wall[rows])


def interval_values(column: Column, said: Said, span: Span, steps: int) -> Floats:
    """A column's values in its unit, one an interval; a counter is read at the interval's end."""
    values = said[column.of, column.quantity]
    factor = 0.001 if column.unit.startswith("k") else 1.0
    if column.reads == "mean":
        return np.asarray(factor * values.reshape(-1, steps).mean(axis=1))
    energy = factor * np.maximum(values, 0.0) * STEP_S / 3600.0
    if column.reads == "interval":
        return np.asarray(energy.reshape(-1, steps).sum(axis=1))
    register = column.starts_at + np.cumsum(energy)
    if column.resets:
        before = np.concatenate(([column.starts_at], register[:-1]))
        first = np.flatnonzero(np.diff(span.day_index, prepend=-1))
        register = register - before[first][span.day_index]
    counts = 10.0**column.decimals
    return np.asarray(np.floor(register[steps - 1 :: steps] * counts + 1e-6) / counts)


def _wide(export: Export, span: Span, said: Said, kept: Flags, starts: Whole) -> tuple[Any, Whole]:
    steps, dialect = export.interval_minutes * 60 // STEP_S, export.dialect
    cells = [_times(export, span, starts[kept])]
    for column in export.columns:
        values = interval_values(column, said, span, steps)[kept]
        cells.append(numbers(values, column.decimals, dialect.decimal))
    if dialect.extra is not None:
        cells.append(pa.repeat(dialect.extra[1], int(kept.sum())))
    return join(cells, dialect), np.flatnonzero(kept)


def _long(export: Export, span: Span, said: Said, kept: Flags, starts: Whole) -> tuple[Any, Whole]:
    """One row a module and interval, times in order, and nothing while the modules are asleep."""
    steps = export.interval_minutes * 60 // STEP_S
    power = np.stack([interval_values(column, said, span, steps) for column in export.columns], axis=1)
    awake = np.flatnonzero(kept & (power.max(axis=1) >= LEAST_MODULE_W))
    count = len(export.columns)
    names = pa.array([column.name for column in export.columns]).take(pa.array(np.tile(np.arange(count), len(awake))))
    times = _times(export, span, starts[awake]).take(pa.array(np.repeat(np.arange(len(awake)), count)))
    values = numbers(power[awake].ravel(), export.columns[0].decimals, export.dialect.decimal)
    return join([times, names, values], export.dialect), np.repeat(awake, count)


def _registers(export: Export, span: Span, said: Said, kept: Flags, starts: Whole) -> tuple[Any, Whole]:
    """Two rows a poll: the high and the low word of a 32-bit counter."""
    column, rows = export.columns[0], np.flatnonzero(kept)
    steps = export.interval_minutes * 60 // STEP_S
    counts = np.rint(interval_values(column, said, span, steps)[rows] * 10.0**column.decimals).astype(np.int64)
    words = np.stack([counts >> 16, counts & 0xFFFF], axis=1).ravel()
    polls = np.repeat(np.arange(len(rows)), 2)
    times = _times(export, span, starts[rows]).take(pa.array(polls))
    unit = pa.repeat(str(export.unit_id), len(polls))
    address = numbers(np.tile([export.address, export.address + 1.0], len(rows)), 0)
    return join([times, unit, address, numbers(words.astype(float), 0)], export.dialect), np.repeat(rows, 2)


_SHAPES = {"wide": _wide, "long": _long, "registers": _registers}
_HEADERS = {"long": ("module", "power_w"), "registers": ("unit", "address", "word")}


def _times(export: Export, span: Span, starts: Whole) -> Any:
    dialect = export.dialect
    marked = starts if dialect.marks == "start" else starts + export.interval_minutes * 60
    return stamps(marked if dialect.zone == "UTC" else span.wall_at(marked), dialect)


def _write_files(target: Path, export: Export, lines: Any, wall: Whole) -> None:
    dialect = export.dialect
    unit = "datetime64[M]" if dialect.files == "month" else "datetime64[D]"
    period = wall.astype("datetime64[s]").astype(unit)
    edges = [0, *(np.flatnonzero(period[1:] != period[:-1]) + 1).tolist(), len(period)]
    head = _head(export)
    for first, after in zip(edges[:-1], edges[1:], strict=True):
        if first == after:
            continue
        foot = (
            f"{dialect.line_end}{dialect.footer.format(rows=after - first)}{dialect.line_end}" if dialect.footer else ""
        )
        (target / f"{export.stem}_{period[first]}.csv").write_bytes(head + cut(lines, first, after) + foot.encode())


def _head(export: Export) -> bytes:
    dialect = export.dialect
    columns: Sequence[str] = _HEADERS.get(export.shape) or [column.name for column in export.columns]
    names = [dialect.time_column, *columns, *((dialect.extra[0],) if dialect.extra else ())]
    quote = '"' if dialect.quoted else ""
    header = dialect.delimiter.join(f"{quote}{name}{quote}" for name in names)
    return dialect.mark_bytes + "".join(line + dialect.line_end for line in (*dialect.preamble, header)).encode()
