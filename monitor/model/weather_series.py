"""Weather series of any interval: spread over the grid with the sky's shape, and how late their times look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import Seconds, Values
from monitor.model.grid import STEP_S, Spreading

# Times are tried this far both ways; what fits best at the end of the row is no fit.
_TRIED_S = np.arange(-5400, 5401, STEP_S)
_MOST_LATE_S = 4500.0
# A day is cloudless for this purpose when its series keeps the cloudless curve's shape this well (rms over rms).
_SHAPE = 0.05
_LEVEL = (0.6, 1.3)
_LEAST_LIT = 5
# States (temperature, wind) are drawn in a line over gaps up to this long.
_LONGEST_GAP_S = 3.0 * 3600.0


@dataclass(frozen=True, slots=True)
class Series:
    """Means over intervals [UTC epoch seconds], in order, gaps left out; shape (N,)."""

    begins: Seconds
    ends: Seconds
    values: Values

    def moved(self, seconds: int) -> Series:
        """The same means, so much earlier."""
        return Series(self.begins - seconds, self.ends - seconds, self.values) if seconds else self

    def between(self, begin: int, end: int) -> Series:
        """Intervals that begin within a time."""
        part = slice(*np.searchsorted(self.begins, (begin, end)))
        return Series(self.begins[part], self.ends[part], self.values[part])


def shaped(parts: Sequence[Series], shape: Values, starts: Seconds) -> Values:
    """Spread means over the grid so that each interval keeps its energy and takes on a shape.

    Parameters
    ----------
    parts : sequence of Series
        The same quantity from several sources; the first that speaks is heard.
    shape : array of shape (T,)
        Zero or more, such as cloudless irradiance.
    starts : array of shape (T,)
        Grid interval starts [UTC epoch seconds].

    Returns
    -------
    array of shape (T,)
        In the unit of the series; NaN where none speaks. An interval over which the shape is zero is spread evenly.
    """
    out = np.full(starts.shape, np.nan)
    for series in parts:
        one = Spreading(series.begins, series.ends, onto=starts).shaped(series.values, shape)
        out = np.where(np.isnan(out), one, out)
    return out


def in_line(parts: Sequence[Series], starts: Seconds) -> Values:
    """A state such as temperature or wind on the grid: the line through the middles of coarse intervals.

    Means of intervals no longer than the grid's are averaged. NaN in gaps of more than three hours, and more than half
    an interval before the first and after the last reading.
    """
    out = np.full(starts.shape, np.nan)
    for series in parts:
        one = _one_in_line(series, starts)
        out = np.where(np.isnan(out), one, out)
    return out


def _one_in_line(series: Series, starts: Seconds) -> Values:
    if not series.values.size:
        return np.full(starts.shape, np.nan)
    lengths = series.ends - series.begins
    if np.median(lengths) <= STEP_S:
        return Spreading(series.begins, series.ends, onto=starts).mean(series.values)
    at = starts + STEP_S / 2.0
    middles = 0.5 * (series.begins + series.ends)
    after = np.searchsorted(middles, at)
    before = np.clip(after - 1, 0, middles.size - 1)
    after = np.clip(after, 0, middles.size - 1)
    inside = (at >= series.begins[before]) & (at < series.ends[before])
    inside |= (at >= series.begins[after]) & (at < series.ends[after])
    between = (middles[before] <= at) & (at <= middles[after]) & (middles[after] - middles[before] <= _LONGEST_GAP_S)
    return np.where(inside | between, np.interp(at, middles, series.values), np.nan)


def lateness_s(series: Series, clear_w_m2: Values, starts: Seconds) -> float | None:
    """How late a day's series is stamped, by the sun; None on a day that is not clear or not whole.

    Parameters
    ----------
    series : Series
        Global irradiance of one local day, as stamped.
    clear_w_m2 : array of shape (T,)
        Cloudless global irradiance of the same day on the grid.
    starts : array of shape (T,)
        The grid's interval starts [UTC epoch seconds].

    Returns
    -------
    float or None
        Seconds, positive when the stamps are late: best fit of the cloudless curve's interval means over shifts of
        a quarter of an hour, and between them by a parabola.

    Notes
    -----
    Satellite and reanalysis series are published with marks at the start, middle and end of the interval, and in
    local or universal time; on a clear day the sun is the clock (as for measured power, after common practice).
    """
    edges = np.append(starts, starts[-1] + STEP_S).astype(np.float64)
    energy = np.append(0.0, np.cumsum(clear_w_m2) * STEP_S)
    begins, ends = series.begins - _TRIED_S[:, None], series.ends - _TRIED_S[:, None]
    lit_s = float(np.sum(series.ends - series.begins))
    if series.values.size < _LEAST_LIT or lit_s < 0.9 * (edges[-1] - edges[0]):
        return None
    modelled = (np.interp(ends, edges, energy) - np.interp(begins, edges, energy)) / (ends - begins)
    return _best_shift(np.maximum(series.values, 0.0), modelled)


def _best_shift(seen: Values, modelled: Values) -> float | None:
    """Shift at which modelled means, shape (S, N), fit the seen ones, shape (N,), best up to a factor."""
    square, own = np.sum(modelled**2, axis=1), float(np.sum(seen**2))
    if own <= 0.0 or not (square > 0.0).all() or np.count_nonzero(seen > 0.05 * seen.max()) < _LEAST_LIT:
        return None
    level = modelled @ seen / square
    miss = np.maximum(1.0 - level**2 * square / own, 0.0)  # squared, relative
    best = int(np.argmin(miss))
    if not 0 < best < miss.size - 1 or miss[best] > _SHAPE**2 or not _LEVEL[0] < level[best] < _LEVEL[1]:
        return None
    left, here, right = miss[best - 1 : best + 2]
    bend = left - 2.0 * here + right
    shift = float(_TRIED_S[best]) + (0.5 * STEP_S * float((left - right) / bend) if bend > 0.0 else 0.0)
    return shift if abs(shift) <= _MOST_LATE_S else None
