"""Runs of the same value: when they are a stuck channel, and when the world stood still."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Mask, Seconds, Values

Rows = npt.NDArray[np.intp]
# What another channel says of a run (first and last row, level): true to it, against it, or nothing.
Witness = Callable[[int, int, float], bool | None]

LEAST_RUN = 3
# So unlikely has a run to be for the channel's own way of repeating values on that day.
_CHANCE = 1e-5
# A cloudless day's curve keeps within r of its top for this long times the square root of 2 r over the top: a cosine
# of a northern midsummer day, 2 * 16 h / pi, and a quarter more for roofs that make it flatter.
_TOP_S = 45_800.0
_PLATEAU, _NEAR_TOP = 0.005, 0.03
_DARK_S = 3600  # within this of midnight nothing shines
_DAY = 86_400


@dataclass(frozen=True, slots=True)
class Clock:
    """Times of N rows: UTC starts, what the local clock shows, and the number (from 0) of each row's local day."""

    starts: Seconds
    local: Seconds
    day: Rows


@dataclass(frozen=True, slots=True)
class Run:
    """Rows `first` to `last` with the same value."""

    first: int
    last: int

    @property
    def length(self) -> int:
        """How many rows."""
        return self.last - self.first + 1


def runs_of(same: Mask) -> list[Run]:
    """Runs of at least three rows from "this row is the same as the next one", shape (N - 1,)."""
    edges = np.diff(np.concatenate(([0], same.view(np.int8), [0])))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long = lasts - firsts + 1 >= LEAST_RUN
    return [Run(int(a), int(b)) for a, b in zip(firsts[long], lasts[long], strict=True)]


def unlikely_runs(same: Mask, judged: Mask, day: Rows) -> list[Run]:
    """Runs that are too long for how often else the pairs of their day are the same.

    Parameters
    ----------
    same, judged : boolean arrays of shape (N - 1,)
        Whether a row is the same as the next one, and whether the pair counts at all.
    day : array of shape (N,)
        Number of each row's day, from 0; no pair that counts lies in two days.
    """
    runs = runs_of(same)
    if not runs:
        return []
    days = int(day[-1]) + 1
    pairs = np.bincount(day[:-1], judged, days)
    alike = np.bincount(day[:-1], same, days)
    longest = np.zeros(days)
    for run in runs:
        at = day[run.first]
        longest[at] = max(longest[at], run.length - 1)
    usual = (alike - longest + 1.0) / (pairs - longest + 2.0)
    needed = 1.0 + np.log(_CHANCE) / np.log(usual)
    return [run for run in runs if run.length >= needed[day[run.first]]]


def stuck_rows(
    values: Values, same: Mask, judged: Mask, clock: Clock, *, tops: tuple[float, ...], witness: Witness
) -> Mask:
    """Rows of one channel that are stuck.

    Parameters
    ----------
    values : array of shape (N,)
        The channel, NaN where unknown.
    same, judged : boolean arrays of shape (N - 1,)
        Whether a row repeats in the next one at a level at which the channel should move, and whether the pair is at
        such a level at all.
    clock : Clock
        Times of the rows.
    tops : tuple of float
        Levels at which the channel may well stand still.
    witness : Witness
        What other channels of the source say.

    Returns
    -------
    boolean array of shape (N,)

    Notes
    -----
    A run has to be longer than the channel's own habit of repeating values on that day, and longer than its
    resolution lets a smooth curve stay at its top. Then another channel decides; where none does, a run at the day's
    top or at a known limit is a plateau, unless it reaches into the dark.
    """
    stuck = np.zeros(values.shape, dtype=bool)
    for run in unlikely_runs(same, judged, clock.day):
        level = float(values[run.first])
        today = values[clock.day == clock.day[run.first]]
        if clock.starts[run.last] - clock.starts[run.first] <= _smooth_top_s(today, level):
            continue
        true = witness(run.first, run.last, level)
        if true is None:
            true = _is_plateau(today, level, tops) and not _in_the_dark(run, clock)
        if not true:
            stuck[run.first : run.last + 1] = True
    return stuck


def _smooth_top_s(today: Values, level: float) -> float:
    """How long a smooth curve may show the same value at this resolution [s]."""
    steps = np.diff(np.unique(today[~np.isnan(today)]))
    resolution = float(steps.min()) if steps.size else 0.0
    return float(_TOP_S * np.sqrt(2.0 * resolution / abs(level))) if level else np.inf


def _is_plateau(today: Values, level: float, tops: tuple[float, ...]) -> bool:
    top = float(np.nanmax(today))
    return level >= (1.0 - _PLATEAU) * top or any(abs(level / one - 1.0) <= _NEAR_TOP for one in tops)


def _in_the_dark(run: Run, clock: Clock) -> bool:
    return bool(clock.local[run.first] % _DAY < _DARK_S or clock.local[run.last] % _DAY >= _DAY - _DARK_S)
