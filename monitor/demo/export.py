"""Writes what a home says into files, each source in its dialect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from monitor.demo.chance import Flags, Floats
from monitor.demo.effects import Effect, chosen, size_of
from monitor.demo.plans import Column, Export, Home
from monitor.demo.said import Said
from monitor.demo.span import STEP_S, Span, Whole
from monitor.demo.text import cut, join, numbers, stamps

LEAST_MODULE_W = 2.0  # modules with their own electronics are asleep below


@dataclass(frozen=True, eq=False)
class Log:
    """A source at work: what its devices say by its own clock, and what is wrong with it."""

    export: Export
    span: Span
    said: Said
    effects: Sequence[Effect]

    @property
    def steps(self) -> int:
        """Steps of the span in one of its intervals."""
        return self.export.interval_minutes * 60 // STEP_S

    def times(self, starts: Whole) -> Any:
        """The times of rows as its clock shows them."""
        dialect = self.export.dialect
        marked = starts if dialect.marks == "start" else starts + self.export.interval_minutes * 60
        shown = marked if dialect.zone == "UTC" else self.span.wall_at(marked)
        if chosen(self.effects, "behind", f"source:{self.export.id}"):
            behind_h = size_of(self.span, self.effects, "behind", f"source:{self.export.id}")
            step = np.minimum((marked - self.span.starts[0]) // STEP_S, len(self.span) - 1)
            shown = shown - np.rint(3600.0 * behind_h[step]).astype(np.int64)
        return stamps(shown, dialect)

    def values(self, column: Column) -> Floats:
        """A column's values in its unit, one an interval; a counter is read at the interval's end."""
        values = self.said[column.of, column.quantity]
        ahead_min = size_of(self.span, self.effects, "ahead", f"source:{self.export.id}")
        if ahead_min.any():  # what its clock calls noon was some minutes before noon
            at = np.arange(len(values), dtype=float)
            values = np.interp(at - ahead_min * 60.0 / STEP_S, at, values)
        scale = 0.001 if column.unit.startswith("k") else 1.0
        if column.reads == "mean":
            return np.asarray(scale * values.reshape(-1, self.steps).mean(axis=1))
        energy = scale * np.maximum(values, 0.0) * STEP_S / 3600.0
        if column.reads == "interval":
            return np.asarray(energy.reshape(-1, self.steps).sum(axis=1))
        register = column.starts_at + np.cumsum(energy)
        if column.resets:
            before = np.concatenate(([column.starts_at], register[:-1]))
            first = np.flatnonzero(np.diff(self.span.day_index, prepend=-1))
            register = register - before[first][self.span.day_index]
        for restart in chosen(self.effects, "restart", column.of, column.quantity):
            first_step = int(np.argmax(restart.holds(self.span)))
            register[first_step:] -= register[first_step]
        counts = 10.0**column.decimals
        return np.asarray(np.floor(register[self.steps - 1 :: self.steps] * counts + 1e-6) / counts)

    def cells(self, column: Column, rows: Flags) -> Any:
        """A column's text on the rows that are there."""
        decimal = self.export.dialect.decimal
        values = self.values(column)[rows]
        if column.step:
            values = column.step * np.rint(values / column.step)
        factors = size_of(self.span, self.effects, "factor", column.of, column.quantity)[:: self.steps][rows]
        plain = numbers(values, column.decimals, decimal)
        if not factors.any():
            return plain
        decimals = max(column.decimals - round(np.log10(factors.max())), 0)
        other = numbers(np.where(factors > 0.0, values * factors, 0.0), decimals, decimal)
        return pc.if_else(pa.array(factors > 0.0), other, plain)


def write_exports(
    folder: Path, home: Home, span: Span, said: Said, silent: dict[str, Flags], effects: Sequence[Effect]
) -> None:
    """Write all sources of a home below `incoming/ID`; `silent` marks the steps that a source lost."""
    target = folder / "incoming" / home.id
    target.mkdir(parents=True, exist_ok=True)
    for export in home.exports:
        log = Log(export, span, said, effects)
        kept: Flags = ~np.any(silent[export.id].reshape(-1, log.steps), axis=1)
        lines, rows = _SHAPES[export.shape](log, kept)
        _write_files(target, export, lines, span.wall[:: log.steps][rows])


def _wide(log: Log, kept: Flags) -> tuple[Any, Whole]:
    dialect = log.export.dialect
    cells = [log.times(log.span.starts[:: log.steps][kept]), *(log.cells(c, kept) for c in log.export.columns)]
    if dialect.extra is not None:
        cells.append(pa.repeat(dialect.extra[1], int(kept.sum())))
    return join(cells, dialect), np.flatnonzero(kept)


def _long(log: Log, kept: Flags) -> tuple[Any, Whole]:
    """One row a module and interval, times in order, and nothing while the modules are asleep."""
    columns, starts = log.export.columns, log.span.starts[:: log.steps]
    power = np.stack([log.values(column) for column in columns], axis=1)
    awake = np.flatnonzero(kept & (power.max(axis=1) >= LEAST_MODULE_W))
    count = len(columns)
    names = pa.array([column.name for column in columns]).take(pa.array(np.tile(np.arange(count), len(awake))))
    times = log.times(starts[awake]).take(pa.array(np.repeat(np.arange(len(awake)), count)))
    values = numbers(power[awake].ravel(), columns[0].decimals, log.export.dialect.decimal)
    return join([times, names, values], log.export.dialect), np.repeat(awake, count)


def _registers(log: Log, kept: Flags) -> tuple[Any, Whole]:
    """Two rows a poll: the high and the low word of a 32-bit counter."""
    export, rows = log.export, np.flatnonzero(kept)
    column = export.columns[0]
    counts = np.rint(log.values(column)[rows] * 10.0**column.decimals).astype(np.int64)
    words = np.stack([counts >> 16, counts & 0xFFFF], axis=1).ravel()
    polls = np.repeat(np.arange(len(rows)), 2)
    times = log.times(log.span.starts[:: log.steps][rows]).take(pa.array(polls))
    unit = pa.repeat(str(export.unit_id), len(polls))
    address = numbers(np.tile([export.address, export.address + 1.0], len(rows)), 0)
    return join([times, unit, address, numbers(words.astype(float), 0)], export.dialect), np.repeat(rows, 2)


_SHAPES = {"wide": _wide, "long": _long, "registers": _registers}
_HEADERS = {"long": ("module", "power_w"), "registers": ("unit", "address", "word")}


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
