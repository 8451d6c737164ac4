"""The hour that the clock repeats in autumn: which of its rows belong to the second pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Mask, Seconds, Values

_DOUBLED = 0.25  # rows around the hour of which more than this stand twice are rows that were written twice


@dataclass(frozen=True, slots=True)
class Repeated:
    """One sequence of rows and one repeated hour in it.

    `utc` takes all rows for the first pass; `inside` marks those in the hour; `registers` are cumulative readings of
    the rows (NaN where there is none).
    """

    local: Seconds
    utc: Seconds
    inside: Mask
    overlap_s: int
    interval_s: int
    registers: Sequence[Values] = ()

    def backwards(self) -> Repeated:
        """The same rows, last one first."""
        registers = [register[::-1] for register in self.registers]
        return Repeated(self.local[::-1], self.utc[::-1], self.inside[::-1], self.overlap_s, self.interval_s, registers)


def second_pass(hour: Repeated) -> tuple[Mask, Mask]:
    """Rows of the second pass, and rows of which nothing tells the pass.

    The order of the rows tells where they fall back once; they may run forwards or (newest first) backwards in time.
    Of rows in no such order, the smaller register of two with one label is the first pass.
    """
    steps = np.diff(hour.local)
    if np.count_nonzero(steps < 0) > np.count_nonzero(steps > 0):
        second, unsure = second_pass(hour.backwards())
        return second[::-1], unsure[::-1]
    rows = np.flatnonzero(hour.inside)
    in_order = _by_order(hour, rows)
    if in_order is not None and np.count_nonzero(steps < 0) <= 1:
        return _marked(hour, rows, in_order), np.zeros(hour.inside.shape, bool)
    labels = hour.local[rows]
    second, sure = _by_registers(labels, [register[rows] for register in hour.registers])
    if in_order is not None:
        return _marked(hour, rows, np.where(sure, second, in_order)), np.zeros(hour.inside.shape, bool)
    twice = np.unique(labels).size < labels.size
    if twice and (sure.any() or not _rising(labels) or _single_around(hour)):
        second = np.where(sure, second, _later_of_label(labels))
        return _marked(hour, rows, second), _marked(hour, rows, ~sure)
    late, told = _one_pass(hour, rows)
    return _marked(hour, rows, np.full(rows.size, late)), _marked(hour, rows, np.full(rows.size, not told))


def _marked(hour: Repeated, rows: npt.NDArray[np.intp], marks: Mask) -> Mask:
    marked = np.zeros(hour.inside.shape, bool)
    marked[rows] = marks
    return marked


def _by_order(hour: Repeated, rows: npt.NDArray[np.intp]) -> Mask | None:
    """Rows after the one place where they fall back; None where they do not, or more than once.

    A file may hold the hour several times, with other rows between; each time then tells by itself.
    """
    blocks = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    second: list[Mask] = []
    for block in blocks:
        steps = np.diff(hour.local[block])
        # A logger with one stamp a pass repeats it; with finer steps a repeated stamp is a repeated row.
        falls = np.flatnonzero(steps <= 0 if hour.interval_s >= hour.overlap_s else steps < 0)
        if falls.size != 1:
            return None
        second.append(np.arange(block.size) > falls[0])
    return np.concatenate(second)


def _by_registers(labels: Seconds, registers: Sequence[Values]) -> tuple[Mask, Mask]:
    """Second pass by registers, and the rows of which they tell."""
    _, group = np.unique(labels, return_inverse=True)
    second, sure = np.zeros(labels.size, bool), np.zeros(labels.size, bool)
    for register in registers:
        low, high = np.full(labels.size, np.inf), np.full(labels.size, -np.inf)
        np.fmin.at(low, group, register)
        np.fmax.at(high, group, register)
        tells = (high > low)[group] & ~np.isnan(register) & ~sure
        middle = low + np.where(high > low, high - low, 0.0) / 2
        second[tells] = (register > middle[group])[tells]
        sure |= tells
        for row in np.flatnonzero(_lone(labels) & ~sure & ~np.isnan(register)).tolist():
            early, late = (_fits(row, labels, register, second, sure, late=late) for late in (False, True))
            if early != late:
                second[row], sure[row] = late, True
    return second, sure


def _fits(row: int, labels: Seconds, register: Values, second: Mask, sure: Mask, *, late: bool) -> bool:
    """Whether a register would only rise if a row stood in one of the passes; no known rows, no answer."""
    known = sure & ~np.isnan(register)
    if not known.any():
        return False
    same = known & (second == late)
    before = (same & (labels < labels[row])) | (known & ~second if late else np.zeros(known.shape, bool))
    after = (same & (labels > labels[row])) | (np.zeros(known.shape, bool) if late else known & second)
    return bool((register[before] <= register[row]).all() and (register[after] >= register[row]).all())


def _lone(labels: Seconds) -> Mask:
    """Rows whose label no other row has."""
    _, group, counts = np.unique(labels, return_inverse=True, return_counts=True)
    return np.asarray(counts[group] == 1)


def _later_of_label(labels: Seconds) -> Mask:
    """The later half of the rows with each label."""
    later = np.zeros(labels.size, bool)
    for label in np.unique(labels):
        rows = np.flatnonzero(labels == label)
        later[rows[(rows.size + 1) // 2 :]] = True
    return later


def _rising(labels: Seconds) -> bool:
    return bool(np.all(np.diff(labels) >= 0))


def _single_around(hour: Repeated) -> bool:
    """Whether there are rows around the hour, and they stand once: what stands twice within are then its passes."""
    outside = hour.local[~hour.inside]
    return outside.size > 1 and bool(np.mean(np.diff(outside) == 0) <= _DOUBLED)


def _one_pass(hour: Repeated, rows: npt.NDArray[np.intp]) -> tuple[bool, bool]:
    """Whether rows that pass the hour once belong to its second pass, and whether that can be told.

    They stand where they leave the smaller hole.
    """
    utc, first, last = hour.utc, rows[0], rows[-1]
    before = utc[first] - utc[first - 1] if first > 0 else None
    after = utc[last + 1] - utc[last] if last + 1 < utc.size else None
    first_gap = max(gap for gap in (before, after, 0) if gap is not None)
    second_gap = max(
        before + hour.overlap_s if before is not None else 0, after - hour.overlap_s if after is not None else 0
    )
    return bool(second_gap < first_gap), bool(second_gap != first_gap)
