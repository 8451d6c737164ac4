"""Whether a signal that follows the light fits the sun at a place, and by how much its clock would have to move."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Mask, Seconds, Values

Elevation = Callable[[Seconds], Values]  # UTC epoch seconds to the sun's elevation [deg]

_GRID_S = 300
_FURTHEST = 12 * 3600 // _GRID_S
_MOST_ROWS = 20_000
_LIT = 0.005  # of the file's largest value
_DARK_BELOW_DEG, _LIGHT_ABOVE_DEG = -1.0, 6.0  # between them a roof may be lit or not
_FEWEST = 8
_WIDEST_S = 2 * 3600
# An obstacle at one side, or a roof to the east, moves the lit hours by less than this. Common practice.
FITS_S, OFF_S = 25 * 60, 40 * 60


@dataclass(frozen=True, slots=True)
class Fit:
    """How a signal stands to the sun.

    `shift_s` is what would have to be added to its times for the best fit. `night_share` is the part of the lit rows
    at which the sun is down.
    """

    shift_s: int
    night_share: float

    @property
    def fits(self) -> bool:
        """The times agree with the sun."""
        return abs(self.shift_s) <= FITS_S

    @property
    def is_off(self) -> bool:
        """The times do not agree with the sun."""
        return abs(self.shift_s) >= OFF_S


def fit_to_sun(times: Seconds, signal: Values, elevation: Elevation) -> Fit | None:
    """Compare a signal at instants (the middle of its intervals) with the sun; None when the rows do not tell."""
    known = ~np.isnan(signal)
    times, signal = times[known][:_MOST_ROWS], signal[known][:_MOST_ROWS]
    if times.size < 2 * _FEWEST:
        return None
    lit = signal > _LIT * float(np.quantile(signal, 0.995))
    if min(np.count_nonzero(lit), np.count_nonzero(~lit)) < _FEWEST:
        return None
    first = int(times.min()) - (_FURTHEST + 1) * _GRID_S
    axis = np.arange(first, int(times.max()) + (_FURTHEST + 2) * _GRID_S, _GRID_S)
    height = elevation(axis)
    places = np.rint((times - first) / _GRID_S).astype(np.int64)
    shifts = np.arange(1 - _FURTHEST, _FURTHEST + 1)
    misfits = np.array([_misfit(lit, height[places + shift]) for shift in shifts])
    best = shifts[misfits <= misfits.min() + 1.0 / times.size]
    middle = _middle(best)
    if np.abs((best - middle + _FURTHEST) % (2 * _FURTHEST) - _FURTHEST).max() * _GRID_S > _WIDEST_S / 2:
        return None
    night_share = float(np.mean(height[places[lit]] < _DARK_BELOW_DEG))
    return Fit(middle * _GRID_S, night_share)


def _middle(shifts: npt.NDArray[np.int64]) -> int:
    """The mean on the dial of a day, where twelve hours early and late are one."""
    turn = np.exp(1j * np.pi * shifts / _FURTHEST).sum()
    return round(float(np.angle(turn)) * _FURTHEST / np.pi)


def _misfit(lit: Mask, height: Values) -> float:
    wrong = (lit & (height < _DARK_BELOW_DEG)) | (~lit & (height > _LIGHT_ABOVE_DEG))
    return float(np.mean(wrong))
