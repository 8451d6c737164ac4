"""The learned gain: how a string's or inverter's real power stands to its table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.middle import median, quantile

# A window is clear when power keeps the clear-sky curve's shape: five intervals of 15 minutes within 3 %.
_WINDOW = 5
_SHAPE_TOLERANCE = 0.03
_CLEAR_RANGE = (0.6, 1.4)
PRIOR_SIGMA = 0.12  # nameplate against a real roof before anything is learned
LEARNED_SIGMA = 0.03
ONCE_LEARNED_SIGMA = 0.06  # while there are few days yet, or after a repair
MIN_CLEAR_DAYS = 8
MIN_DAYS = 15
PATIENCE_DAYS = 60


@dataclass(frozen=True, slots=True)
class DayRatio:
    """One day's measured power over modelled power of a subject, by rung; None where the day tells nothing."""

    clear_sky: float | None
    sensor: float | None
    weather: float | None


@dataclass(frozen=True, slots=True)
class Gains:
    """Learned gains by rung, their uncertainty, and whether the baseline is complete."""

    clear_sky: float
    sensor: float
    weather: float
    sigma: float
    complete: bool

    def by_rung(self) -> dict[str, float]:
        """Gain by rung; neighbours speak of the sky, so they share the clear-sky gain."""
        return {
            "clear_sky": self.clear_sky, "roof": self.clear_sky, "neighbours": self.clear_sky,
            "own_strings": self.clear_sky, "own_windows": self.clear_sky, "sensor": self.sensor,
            "weather": self.weather,
        }  # fmt: skip


NAMEPLATE = Gains(1.0, 1.0, 1.0, PRIOR_SIGMA, False)


def clear_ratio(
    power_w: Values, clear_w: Values, *, rated_w: float, levels: tuple[float, float] = _CLEAR_RANGE
) -> float | None:
    """Median ratio of power to clear-sky power over the day's clear windows.

    Parameters
    ----------
    power_w, clear_w : array of shape (T,)
        Measured and modelled cloudless power of one day [W].
    rated_w : float
        Nameplate [W]; intervals below a tenth of it, or limited by it, are left out.
    levels : (float, float), optional
        Ratios between which a window is taken for a clear one.

    Returns
    -------
    float or None
        None when fewer than four windows are clear.

    Notes
    -----
    Shape test in the spirit of Reno and Hansen, Renewable Energy 90 (2016) 520: a slope that follows the cloudless
    curve, at any level within a wide range, so that the level itself can be learned.
    """
    mean, clear = _windows(power_w, clear_w, rated_w, levels)
    return median(mean[clear]) if np.count_nonzero(clear) >= 4 else None


def clear_cells(power_w: Values, clear_w: Values, *, rated_w: float, within: float) -> Mask:
    """Intervals that lie in a clear window whose level is within a share of the cloudless one; none below four windows.

    Parameters as of `clear_ratio`, `clear_w` with the learned gain in it.
    """
    mean, clear = _windows(power_w, clear_w, rated_w)
    with np.errstate(invalid="ignore"):
        clear &= np.abs(mean - 1.0) < within
    if np.count_nonzero(clear) < 4:
        return np.zeros(power_w.shape, dtype=bool)
    padded = np.pad(clear, _WINDOW - 1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, _WINDOW).any(axis=1))


def _windows(
    power_w: Values, clear_w: Values, rated_w: float, levels: tuple[float, float] = _CLEAR_RANGE
) -> tuple[Values, Mask]:
    """Mean ratio of power to cloudless power by window, and whether the window keeps the cloudless shape."""
    usable = (clear_w > 0.10 * rated_w) & (power_w < 0.97 * rated_w)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(usable, power_w / clear_w, np.nan)
    if np.count_nonzero(~np.isnan(ratio)) < _WINDOW:
        return np.zeros(0), np.zeros(0, dtype=bool)
    count = ratio.size - _WINDOW + 1
    total, highest, lowest = (ratio[:count] for _ in range(3))
    for n in range(1, _WINDOW):
        later = ratio[n : n + count]
        total, highest, lowest = total + later, np.maximum(highest, later), np.minimum(lowest, later)
    mean, width = total / _WINDOW, highest - lowest
    with np.errstate(invalid="ignore"):
        clear = (width < 2.0 * _SHAPE_TOLERANCE * mean) & (mean > levels[0]) & (mean < levels[1])
    return mean, clear


def energy_ratio(power_w: Values, modelled_w: Values, *, rated_w: float) -> float | None:
    """Measured over modelled energy of a day's known, unlimited intervals; None below an hour's worth of half power."""
    usable = ~np.isnan(power_w) & ~np.isnan(modelled_w) & (modelled_w > 0.05 * rated_w) & (power_w < 0.97 * rated_w)
    modelled = float(np.sum(modelled_w[usable]))
    if modelled < 2.0 * rated_w:  # four quarter hours at half of the rating
        return None
    return float(np.sum(power_w[usable])) / modelled


def learn_gains(days: Sequence[DayRatio]) -> Gains:
    """Learn a subject's gains from its usable days, oldest first.

    The clear-sky gain is an upper quartile, because what looks clear may be evenly hazy; the others are medians.

    Parameters
    ----------
    days : sequence of DayRatio
        Healthy days only: the caller leaves out days with an open finding.

    Returns
    -------
    Gains
        `complete` when there are enough days of every rung that speaks at all.
    """
    clear = [d.clear_sky for d in days if d.clear_sky is not None]
    sensor = [d.sensor for d in days if d.sensor is not None]
    weather = [d.weather for d in days if d.weather is not None]
    enough_clear = len(clear) >= MIN_CLEAR_DAYS or (len(days) >= PATIENCE_DAYS and len(clear) >= 3)
    complete = enough_clear and all(not part or len(part) >= MIN_DAYS for part in (sensor, weather))
    clear_gain = quantile(clear, 0.75) if len(clear) >= 3 else 1.0
    learned = len(clear) >= 3 or len(sensor) >= 5 or len(weather) >= 5
    return Gains(
        clear_sky=clear_gain,
        sensor=median(sensor) if len(sensor) >= 3 else clear_gain,
        weather=median(weather) if len(weather) >= 3 else clear_gain,
        sigma=LEARNED_SIGMA if complete else (ONCE_LEARNED_SIGMA if learned else PRIOR_SIGMA),
        complete=complete,
    )
