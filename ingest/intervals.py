"""How long the intervals of a series really are, where a logger's step was changed half-way."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.quantities import Reads
from ingest.readings import Mask, Seconds
from ingest.sources import Marks

_Indices = npt.NDArray[np.intp]

_JITTER = 0.10  # steps that differ by less are the same step
_STEADY = 4  # so many like steps in a row are a change of the interval; fewer are gaps
_LONGEST_S = 7200  # a step beyond this is a gap however often it comes


def anchor_of(marks: Marks, reads: Reads) -> float:
    """Where in its interval a reading's stamp lies: 0 at the start, 1 at the end.

    A state read at an instant stands for the time around it, an energy read at an instant for the time before it.
    """
    if marks == "start":
        return 0.0
    return 0.5 if marks == "instant" and reads == "mean" else 1.0


def interval_bounds(starts: Seconds, *, declared_s: int, anchor: float, days: Seconds) -> tuple[Seconds, Seconds]:
    """Begin and end of each reading's interval.

    Parameters
    ----------
    starts : array of shape (N,)
        Starts of the known readings [UTC epoch seconds] as stored, which is the stamp less `anchor` of the declared
        interval; strictly increasing.
    declared_s : int
        Length of an interval as the site file has it [s].
    anchor : float
        Where the stamp lies in the interval (see `anchor_of`).
    days : array of shape (N,)
        Number of the local day of each reading. A day's intervals depend on no later day.

    Returns
    -------
    begins, ends : arrays of shape (N,)
        UTC epoch seconds; no interval runs into the next one.

    Notes
    -----
    Four steps in a row that are alike within 10 per cent, unlike the declared one and not above two hours, are
    another interval; anything else that is longer than declared is a gap, and stays one.
    """
    steps = np.diff(starts)
    other = np.abs(steps - declared_s) > _JITTER * declared_s
    if np.count_nonzero(other) < _STEADY:
        return _apart(starts, starts + declared_s, anchor)
    steady = _steady(steps, other & (steps <= _LONGEST_S), days)
    if not steady.any():
        return _apart(starts, starts + declared_s, anchor)
    stamps = starts + int(anchor * declared_s)
    crosses = days[1:] != days[:-1]
    # The step after a day's last reading is not known on that day.
    after, after_steady = np.append(np.where(crosses, 0, steps), 0), np.append(steady & ~crosses, False)
    before, before_steady = np.append(0, steps), np.append(False, steady)
    ahead = _lengths(after, after_steady, before, before_steady, declared_s)
    behind = _lengths(before, before_steady, after, after_steady, declared_s)
    begins = stamps - (anchor * behind).astype(np.int64)
    return _apart(begins, stamps + ((1.0 - anchor) * ahead).astype(np.int64), anchor)


def _steady(steps: Seconds, other: Mask, days: Seconds) -> Mask:
    """Steps that belong to a run of like steps, seen from the end of the day in which each one ends."""
    like = other[1:] & other[:-1] & (np.abs(np.diff(steps)) <= _JITTER * steps[:-1])
    here = np.arange(steps.size)
    begins = np.maximum.accumulate(np.where(np.append(False, like), 0, here))
    ends = np.minimum.accumulate(np.where(np.append(like, False), steps.size, here)[::-1])[::-1]
    last_of_day: _Indices = np.searchsorted(days, days[1:], side="right") - 2
    count = np.minimum(ends, last_of_day) - begins + 1
    return np.asarray(other & (count >= _STEADY))


def _lengths(own: Seconds, own_steady: Mask, beside: Seconds, beside_steady: Mask, declared_s: int) -> Seconds:
    """The step on a reading's own side (0 if unknown); where that is a gap, the steady step on its other side; else as
    declared, and never beyond the next reading."""
    as_declared = np.abs(own - declared_s) <= _JITTER * declared_s
    inherited = np.where(beside_steady & ~as_declared, beside, declared_s)
    return np.where(own_steady, own, np.where(own > 0, np.minimum(inherited, own), inherited))


def _apart(begins: Seconds, ends: Seconds, anchor: float) -> tuple[Seconds, Seconds]:
    """Bounds without overlaps: what is cut is the side on which the stamp does not lie."""
    begins, ends = begins.copy(), ends.copy()
    if anchor == 1.0:
        np.maximum(begins[1:], ends[:-1], out=begins[1:])
    else:
        np.minimum(ends[:-1], begins[1:], out=ends[:-1])
    return begins, ends
