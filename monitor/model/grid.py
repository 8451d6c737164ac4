"""The grid on which measured and expected are compared, and energy-true resampling onto it."""

from __future__ import annotations

import numpy as np

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
    starts, ends, rate = starts[known], ends[known], rate[known]
    if starts.size == 0:
        return np.full(onto.shape, np.nan), np.zeros(onto.shape)
    ends = np.minimum(ends, np.append(starts[1:], ends[-1]))
    energy, seconds = np.zeros(onto.size), np.zeros(onto.size)
    # Interval by interval, so that a cell's sum does not depend on how long a span is looked at.
    cell = (starts - onto[0]) // step_s
    while starts.size:
        bound = onto[0] + cell * step_s
        overlap = np.minimum(ends, bound + step_s) - np.maximum(starts, bound)
        here = (cell >= 0) & (cell < onto.size) & (overlap > 0)
        energy += np.bincount(cell[here], rate[here] * overlap[here], onto.size)
        seconds += np.bincount(cell[here], overlap[here], onto.size)
        more = (ends > bound + step_s) & (cell < onto.size)
        starts, ends, rate, cell = starts[more], ends[more], rate[more], cell[more] + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(seconds > 0.0, energy / seconds, np.nan)
    return mean, seconds / step_s
