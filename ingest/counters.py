"""Cumulative registers to energies: across gaps, resets and roll-overs, and never a negative step."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.readings import Seconds, Values

_MARGIN = 1.5  # a step may be this much faster than the fastest that was seen
_NEAR_MODULUS = 0.97  # below this share of its modulus a register does not roll over within one step
_NEIGHBOURS = 3
_MOST_DECIMALS = 3
_FEWEST_COUNTS = 1e5  # a decimal register has five digits or more


def interval_energy(starts: Seconds, register: Values, *, interval_s: int) -> tuple[Values, Values]:
    """Turn a cumulative register into the energy between its readings.

    Parameters
    ----------
    starts : array of shape (N,)
        Interval starts [UTC epoch seconds], strictly increasing.
    register : array of shape (N,)
        The register at each interval's end, in any energy unit; NaN where there is no reading.
    interval_s : int
        Length of an interval [s].

    Returns
    -------
    energy : array of shape (N,)
        Energy from the previous reading to this one, in the register's unit; never negative. NaN for the first
        reading, for a gap, for a fall that is neither a reset to about zero nor a roll-over, and for a single reading
        out of line with both neighbours (its neighbours are then taken as following one another).
    span_s : array of shape (N,)
        Seconds between those two readings' ends; NaN where there is no previous reading or none here.

    Notes
    -----
    After a reset the energy is what the register has counted since zero. "About zero" is what the register could
    count in two intervals at the fastest rate it shows. A roll-over is believed when the register stood within 3 per
    cent of a power of ten, or of 2**16 or 2**32 times its resolution, and the wrapped step is no faster than the steps
    around it. Common practice.
    """
    energy, span_s = np.full(register.shape, np.nan), np.full(register.shape, np.nan)
    rows = np.flatnonzero(~np.isnan(register))
    rows = rows[~_out_of_line(starts[rows], register[rows])]
    if rows.size < 2:
        return energy, span_s
    track = _Track(register[rows], np.diff(starts[rows]).astype(np.float64), interval_s)
    steps = track.steps.copy()
    for fall in np.flatnonzero(steps < 0).tolist():
        steps[fall] = _across_fall(fall, track)
    energy[rows[1:]], span_s[rows[1:]] = steps, track.spans
    return energy, span_s


class _Track:
    """The known readings of a register, and what they tell about it as a whole."""

    def __init__(self, values: Values, spans: Values, interval_s: int) -> None:
        self.values, self.spans, self.steps, self.interval_s = values, spans, np.diff(values), interval_s
        self.rates = _rates(self.steps, spans)
        self.fastest = _fastest(self.rates)
        self.resolution = _resolution(values)


def _out_of_line(ends: Seconds, values: Values) -> npt.NDArray[np.bool_]:
    """Single readings far above or below neighbours that follow one another well: a zero for "no answer", say."""
    alone = np.zeros(values.shape, bool)
    if values.size < 3:
        return alone
    fastest = _fastest(_rates(np.diff(values), np.diff(ends).astype(np.float64)))
    before, here, after = values[:-2], values[1:-1], values[2:]
    in_order = (after >= before) & (after - before <= _MARGIN * fastest * (ends[2:] - ends[:-2]))
    too_high = here - before > _MARGIN * fastest * (ends[1:-1] - ends[:-2])
    too_low = after - here > _MARGIN * fastest * (ends[2:] - ends[1:-1])
    alone[1:-1] = in_order & (((here > after) & too_high) | ((here < before) & too_low))
    return alone


def _across_fall(fall: int, track: _Track) -> float:
    """Energy of a step at which the register fell; NaN when nobody can say."""
    old, new, span = track.values[fall], track.values[fall + 1], track.spans[fall]
    jitter, short = 2 * track.resolution, 2 * track.interval_s
    around = track.rates[max(fall - _NEIGHBOURS, 0) : fall + 1 + _NEIGHBOURS]
    near = _fastest(around) if span <= short else track.fastest
    wrapped = _wrapped_step(old, new, track.resolution)
    if wrapped <= _MARGIN * near * span + jitter:
        return wrapped
    about_zero = track.fastest * min(span, short) + jitter
    return float(new) if 0 <= new <= about_zero else np.nan


def _rates(steps: Values, spans: Values) -> Values:
    """Rise per second of each step; NaN for a fall and for the steps beside one, which it may have spoiled."""
    spoiled = steps < 0
    spoiled[1:] |= steps[:-1] < 0
    spoiled[:-1] |= steps[1:] < 0
    return np.where(spoiled, np.nan, steps / spans)


def _fastest(rates: Values) -> float:
    """The fastest known rate; 0 where there is none."""
    known = rates[~np.isnan(rates)]
    return float(known.max()) if known.size else 0.0


def _resolution(values: Values) -> float:
    """One unit of the last decimal that the register shows, a thousandth at the finest."""
    for decimals in range(_MOST_DECIMALS):
        if np.allclose(values, np.round(values, decimals), rtol=0.0, atol=1e-6):
            return float(10.0**-decimals)
    return float(10.0**-_MOST_DECIMALS)


def _wrapped_step(old: float, new: float, resolution: float) -> float:
    """The step over the modulus that the register was just below; infinite where there is none."""
    scales = resolution * 10.0 ** np.arange(7)
    moduli = np.concatenate([_FEWEST_COUNTS * scales, 2.0**16 * scales, 2.0**32 * scales])
    near = moduli[(old < moduli) & (old >= _NEAR_MODULUS * moduli)]
    return float(near.min() - old + new) if near.size and new >= 0 else np.inf
