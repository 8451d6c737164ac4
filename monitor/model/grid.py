"""The grid on which measured and expected are compared, and energy-true resampling onto it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.readings import Seconds, Values

STEP_S = 900


def grid(start: int, end: int) -> Seconds:
    """Interval starts from `start` up to `end` [UTC epoch seconds]."""
    return np.arange(start, end, STEP_S, dtype=np.int64)


def spread(
    starts: Seconds, ends: Seconds, rate: Values, *, onto: Seconds, step_s: int = STEP_S
) -> tuple[Values, Values]:
    """Resample a piecewise constant rate onto a regular grid, energy-true.

    Parameters
    ----------
    starts, ends : array of shape (N,)
        Intervals in UTC epoch seconds, `starts` increasing. An interval that runs into the next one is cut there.
    rate : array of shape (N,)
        Mean rate within each interval; NaN is a gap.
    onto : array of shape (T,)
        Interval starts of the grid.
    step_s : int
        Length of a grid interval [s].

    Returns
    -------
    mean : array of shape (T,)
        Mean rate over the covered part of each grid interval; NaN where nothing is covered.
    covered : array of shape (T,)
        Share of each grid interval with readings, 0 to 1.
    """
    known = ~np.isnan(rate)
    onto_grid = Spreading(starts[known], ends[known], onto=onto, step_s=step_s)
    return onto_grid.mean(rate[known]), onto_grid.covered


class Spreading:
    """Which part of which interval falls into which grid cell: worked out once for all rates of the same intervals.

    Parameters as of `spread`, all rates known.
    """

    def __init__(self, starts: Seconds, ends: Seconds, *, onto: Seconds, step_s: int = STEP_S) -> None:
        self._parts: list[tuple[npt.NDArray[np.intp], Seconds, Seconds]] = []
        self._seconds = np.zeros(onto.size)
        if starts.size:
            self._share_out(starts, np.minimum(ends, np.append(starts[1:], ends[-1])), onto, step_s)
        self.covered = self._seconds / step_s

    def _share_out(self, starts: Seconds, ends: Seconds, onto: Seconds, step_s: int) -> None:
        # Interval by interval, so that a cell's sum does not depend on how long a span is looked at.
        row, cell = np.arange(starts.size), (starts - onto[0]) // step_s
        while row.size:
            bound = onto[0] + cell * step_s
            overlap = np.minimum(ends[row], bound + step_s) - np.maximum(starts[row], bound)
            here = (cell >= 0) & (cell < onto.size) & (overlap > 0)
            self._parts.append((row[here], cell[here], overlap[here]))
            self._seconds += np.bincount(cell[here], overlap[here], onto.size)
            more = (ends[row] > bound + step_s) & (cell < onto.size)
            row, cell = row[more], cell[more] + 1

    def mean(self, rate: Values) -> Values:
        """Mean rate over the covered part of each grid interval; NaN where nothing is covered."""
        energy = np.zeros(self._seconds.size)
        for row, cell, overlap in self._parts:
            energy += np.bincount(cell, rate[row] * overlap, energy.size)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self._seconds > 0.0, energy / self._seconds, np.nan)

    def shaped(self, rate: Values, shape: Values) -> Values:
        """Means like `mean`, each interval's energy shared out among its cells in proportion to a shape, (T,).

        An interval over whose cells the shape is zero is shared out evenly.
        """
        whole, seconds = np.zeros(rate.size), np.zeros(rate.size)
        for row, cell, overlap in self._parts:
            whole += np.bincount(row, shape[cell] * overlap, rate.size)
            seconds += np.bincount(row, overlap, rate.size)
        lit = whole > 0.0
        factor = np.divide(rate * seconds, whole, out=np.zeros(rate.size), where=lit)
        energy = np.zeros(self._seconds.size)
        for row, cell, overlap in self._parts:
            level = np.where(lit[row], factor[row] * shape[cell], rate[row])
            energy += np.bincount(cell, level * overlap, energy.size)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self._seconds > 0.0, energy / self._seconds, np.nan)
