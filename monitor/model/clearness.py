"""Which stretches of a subject's days were cloudless, told by the shape of its own power alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.readings import Seconds, Values
from monitor.model.grid import STEP_S

Mask = npt.NDArray[np.bool_]

STEPS_PER_DAY = 86400 // STEP_S
# A window of seven quarters of an hour is smooth when a parabola meets it this well, as a share of the peak power.
_WINDOW = 7
_SMOOTH = 0.004
# A stretch is as bright as its neighbour days allow: this share of the best of them at the same solar time.
_BRIGHT = 0.82
_NEIGHBOURS = 8  # days before and after
# Less than this share of the peak tells of the sky more than of the plane.
_FAINT = 0.06
# Five quarters around noon differ by 2 % under the sun; held by a limit they do not differ at all.
_FLAT_STEPS, _FLAT = 5, 0.0025


def solar_days(starts: Seconds, values: Values, longitude: float) -> tuple[Values, int]:
    """Fold a series on the grid into solar days.

    Parameters
    ----------
    starts : array of shape (T,)
        Interval starts without holes, UTC epoch seconds.
    values : array of shape (T,)
        Anything of them.
    longitude : float
        Degrees, east positive.

    Returns
    -------
    days : array of shape (D, 96)
        NaN where the series does not reach.
    before : int
        How many intervals of the first day lie before the series.
    """
    midnight = STEP_S * round(-longitude / 15.0 * 3600.0 / STEP_S)
    before = int((int(starts[0]) - midnight) % 86400 // STEP_S)
    after = -(before + values.size) % STEPS_PER_DAY
    padded = np.concatenate([np.full(before, np.nan), values, np.full(after, np.nan)])
    return padded.reshape(-1, STEPS_PER_DAY), before


def clear_stretches(power_w: Values, *, limit_w: float | None = None) -> Mask:
    """Tell which intervals were cloudless, from power alone and without knowing how the plane lies.

    Parameters
    ----------
    power_w : array of shape (D, S)
        Mean power of each interval of solar days; NaN is a gap.
    limit_w : float, optional
        Rated power of the inverter [W]; intervals at it are left out. A limit that nobody stated is seen by its
        flat top.

    Returns
    -------
    array of bool, shape (D, S)
        True in windows of at least an hour and three quarters that follow a parabola and are about as bright as the
        best of the days around them at the same time of the day.

    Notes
    -----
    Shape tests in the spirit of Reno and Hansen, Renewable Energy 90 (2016) 520, with the parabola in place of a
    modelled clear sky, which would have to know the orientation.
    """
    lit = power_w[np.isfinite(power_w) & (power_w > 0.0)]
    if lit.size < _WINDOW:
        return np.zeros(power_w.shape, dtype=bool)
    peak = float(np.quantile(lit, 0.995))
    with np.errstate(invalid="ignore"):
        usable = (power_w > _FAINT * peak) & ~_held(power_w, peak)
        if limit_w is not None:
            usable &= power_w < 0.97 * limit_w
    smooth = _smooth(np.where(usable, power_w, np.nan), peak)
    best = _best_around(np.where(smooth, power_w, 0.0))
    bright = smooth & (power_w >= _BRIGHT * best)
    return _lasting(bright)


def _smooth(power_w: Values, peak: float) -> Mask:
    """Intervals within some window that a parabola meets; a window with a gap is not smooth."""
    windows = np.lib.stride_tricks.sliding_window_view(power_w, _WINDOW, axis=1)
    x = np.arange(_WINDOW) - _WINDOW // 2
    basis, _ = np.linalg.qr(np.stack([np.ones(_WINDOW), x, x**2], axis=1))
    rest = np.eye(_WINDOW) - basis @ basis.T
    off = np.sqrt(np.mean((windows @ rest) ** 2, axis=2))
    with np.errstate(invalid="ignore"):
        return _anywhere(off < _SMOOTH * np.minimum(peak, 0.3 * peak + windows.mean(axis=2)), _WINDOW)


def _anywhere(windows: Mask, width: int) -> Mask:
    """Intervals that lie in at least one true window."""
    padded = np.pad(windows, ((0, 0), (width - 1, width - 1)))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, width, axis=1).any(axis=2))


def _best_around(power_w: Values) -> Values:
    """Best smooth power at the same time of the days around: the third best, where there are that many."""
    padded = np.pad(power_w, ((_NEIGHBOURS, _NEIGHBOURS), (0, 0)))
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1, axis=0)
    ordered = np.sort(around, axis=2)
    return np.asarray(np.where(ordered[..., -2] > 0.0, ordered[..., -2], ordered[..., -1]))


def _held(power_w: Values, peak: float) -> Mask:
    """Intervals of a flat top: five in a row that hardly differ, high up, and all that lie at their level."""
    windows = np.lib.stride_tricks.sliding_window_view(power_w, _FLAT_STEPS, axis=1)
    top, bottom = windows.max(axis=2), windows.min(axis=2)
    with np.errstate(invalid="ignore"):
        flat = (top - bottom < _FLAT * top) & (top > 0.3 * peak)
        level = np.max(np.where(flat, bottom, 0.0), axis=1, initial=0.0)
        # One flat noon is haze; a limit stands in the way again and again.
        if np.count_nonzero(level > 0.0) < 2:
            return np.zeros(power_w.shape, dtype=bool)
        at_level = (level > 0.0)[:, None] & (power_w > 0.985 * level[:, None])
    return np.asarray(_anywhere(flat, _FLAT_STEPS) | at_level)


def _lasting(clear: Mask) -> Mask:
    """Keep what lasts a whole window."""
    whole = np.asarray(np.lib.stride_tricks.sliding_window_view(clear, _WINDOW, axis=1).all(axis=2))
    return _anywhere(whole, _WINDOW)
