"""Flat tops: a power that stays at one level although the sun moves on, and levels that are met again and again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.readings import Mask, Seconds, Values
from monitor.model.middle import median

# A top is flat while samples keep within this share of its level, for so many samples and so long.
FLAT = 0.005
_LEAST_SAMPLES = 4
_LEAST_S = 1800
# The sun alone keeps power near the day's top for a while, too: a limit keeps it there for so much longer.
_LONGER_THAN_SUN = 1.5
# Levels are one habit when they lie within this share of each other, on so many days.
SAME_LEVEL = 0.0075
LEAST_DAYS = 3


def flat_top(begins: Seconds, ends: Seconds, power_w: Values, cloudless_w: Values, *, least_w: float) -> float | None:
    """Level of a day's flat top [W], None where the top is round.

    Parameters
    ----------
    begins, ends : array of shape (N,)
        Bounds of the day's readings [UTC epoch seconds], in order.
    power_w : array of shape (N,)
        Readings [W], no NaN.
    cloudless_w : array of shape (N,)
        What a cloudless sky would give without any limit, at the same times [W].
    least_w : float
        A top below this is none.

    Notes
    -----
    At least four samples in a row within 0.5 % of one level at the top of the day (common practice), half an hour in
    all. On a cloudless day the sun alone does that around noon, for hours on a roof that looks east and west: samples
    of such runs have to last half as long again as the cloudless curve keeps within the same band of its own top.
    """
    if power_w.size < _LEAST_SAMPLES or float(np.max(power_w)) < least_w:
        return None
    level = median(power_w[power_w >= (1.0 - 2.0 * FLAT) * np.max(power_w)])
    flat = in_runs(np.abs(power_w - level) <= FLAT * level)
    top = float(np.max(cloudless_w))
    by_sun = np.count_nonzero(cloudless_w >= (1.0 - 2.0 * FLAT) * top) if top > 0.0 else 0
    if np.count_nonzero(flat) <= _LONGER_THAN_SUN * by_sun or np.sum((ends - begins)[flat]) < _LEAST_S:
        return None
    return median(power_w[flat])


def in_runs(where: Mask) -> Mask:
    """Those of some samples that lie in a run of at least four, shape (N,)."""
    padded = np.pad(where, _LEAST_SAMPLES - 1)
    windows = np.lib.stride_tricks.sliding_window_view(padded, _LEAST_SAMPLES).all(axis=1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(windows, _LEAST_SAMPLES).any(axis=1))


def at_level(power_w: Values, level: float) -> Mask:
    """Samples at a known limit: those that reach it, or stay at it for four in a row where others lie above."""
    with np.errstate(invalid="ignore"):
        near = power_w >= (1.0 - FLAT) * level
        if not np.any(power_w > (1.0 + 2.0 * FLAT) * level):
            return np.asarray(near)
        near &= power_w <= (1.0 + FLAT) * level
    return in_runs(near)


def habits(levels: Sequence[float] | Values) -> list[float]:
    """Levels that a power came to on three days and more, the most frequent first, at most two.

    The two most frequent levels among the days' tops, as of NREL's comparison of clipping filters (2021, title only):
    a limit that was changed leaves one before and one after.
    """
    left = np.sort(np.asarray(levels, np.float64))
    found: list[float] = []
    while left.size >= LEAST_DAYS and len(found) < 2:
        first, past = np.searchsorted(left, left), np.searchsorted(left, left * (1.0 + SAME_LEVEL), side="right")
        most = int(np.argmax(past - first))
        if past[most] - first[most] < LEAST_DAYS:
            break
        found.append(median(left[first[most] : past[most]]))
        left = np.concatenate((left[: first[most]], left[past[most] :]))
    return found
