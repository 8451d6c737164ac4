"""Faults of a channel's level and clock, seen day by day against a reference that tells of the same energy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Seconds, Values

# kW for W, a power for an energy per minute, 5 minutes, quarter of an hour or half hour, and lost decimals.
UNIT_FACTORS = (2.0, 4.0, 10.0, 12.0, 60.0, 100.0, 1000.0)
_LOG_TOLERANCE = 0.05  # of the decimal logarithm
UNIT_JUMP_DAYS = 3
# A clear day: at the best lag the measured curve keeps to the cloudless one this well.
_CLEAR_FIT = 0.995
_LAGS = 12  # on either side
_LEAST_LIT = 12
_WORKS, _NOTHING, _EFFICIENCY = 0.5, 0.03, 0.96
_LEAST_SHARE = 0.15


@dataclass(frozen=True, slots=True)
class UnitJump:
    """A level that is off by a factor of units, and the number of the first day of it."""

    factor: float  # measured over reference
    first: int


def unit_factor(measured: float, reference: float) -> float | None:
    """The factor of units by which a day's level is off; None where it is not.

    Parameters
    ----------
    measured, reference : float
        Energies (or any other measure of level) of the same hours, same unit.

    Returns
    -------
    float or None
        One of `UNIT_FACTORS` or its inverse: measured over reference.

    Notes
    -----
    Decimal logarithm of the ratio within 0.05 of that of a factor: watts for kilowatts, energies of a minute, of five
    minutes, of a quarter or half hour for powers, moved decimal points. Common practice.
    """
    if not (measured > 0.0 and reference > 0.0):
        return None
    level = np.log10(measured / reference)
    factors = np.array([*(1.0 / np.array(UNIT_FACTORS[::-1])), *UNIT_FACTORS])
    off = np.abs(np.log10(factors) - level)
    best = int(np.argmin(off))
    return float(factors[best]) if off[best] <= _LOG_TOLERANCE else None


def unit_jump(measured: Values, reference: Values, *, days: int = UNIT_JUMP_DAYS) -> UnitJump | None:
    """A jump of units that has lasted up to the last day.

    Parameters
    ----------
    measured, reference : array of shape (D,)
        Daily levels, oldest first; NaN for a day that cannot be compared (a cloudy one, say). Such days neither make
        nor break a jump.
    days : int
        So many comparable days have to agree.

    Returns
    -------
    UnitJump or None
    """
    usable = np.flatnonzero(~np.isnan(measured) & ~np.isnan(reference)).tolist()
    factor = unit_factor(float(measured[usable[-1]]), float(reference[usable[-1]])) if usable else None
    if factor is None:
        return None
    count = 1
    while count < len(usable) and unit_factor(*(float(v[usable[-1 - count]]) for v in (measured, reference))) == factor:
        count += 1
    return UnitJump(factor, usable[-count]) if count >= days else None


def clock_shift_s(power_w: Values, clear_w: Values, starts: Seconds) -> float | None:
    """How late a clear day's readings are stamped.

    Parameters
    ----------
    power_w, clear_w : array of shape (T,)
        Measured power of one day and the model's cloudless one, on the same regular grid, in one unit; NaN is a gap.
    starts : array of shape (T,)
        Starts of the grid's intervals [s].

    Returns
    -------
    float or None
        Difference of the days' centroids of power [s], positive when the stamps are late (the clock is fast); None on
        a day that is not clear or not whole.

    Notes
    -----
    Centroid against the modelled centroid on clear days, after common practice; an azimuth that is 15 degrees wrong
    moves it by up to half an hour, but not by the same all year. A day is clear when its curve has the cloudless
    one's shape at some lag within three hours, whatever its level.
    """
    lit = clear_w > 0.02 * clear_w.max(initial=0.0)
    if np.count_nonzero(lit) < _LEAST_LIT or np.isnan(power_w[lit]).any():
        return None
    power = np.where(np.isnan(power_w), 0.0, np.maximum(power_w, 0.0))
    padded = np.zeros(clear_w.size + 2 * _LAGS)
    padded[_LAGS:-_LAGS] = clear_w
    squares = np.concatenate(([0.0], np.cumsum(padded**2)))
    lagged = squares[clear_w.size :] - squares[: -clear_w.size]
    with np.errstate(divide="ignore", invalid="ignore"):
        fit = np.correlate(padded, power, "valid") / np.sqrt(lagged * np.sum(power**2))
    if not np.fmax.reduce(fit, initial=0.0) >= _CLEAR_FIT:
        return None
    return _centroid(power, starts) - _centroid(clear_w, starts)


def _centroid(power: Values, starts: Seconds) -> float:
    return float(np.sum(power * (starts - starts[0])) / np.sum(power))


def mute_by_balance(dc_kwh: Values, ac_kwh: float, rated_w: Values) -> Mask:
    """Strings whose readings say nothing although their inverter's balance shows that they work.

    Parameters
    ----------
    dc_kwh : array of shape (S,)
        Energy of each of an inverter's strings, over hours in which all are known.
    ac_kwh : float
        The inverter's energy of the same hours.
    rated_w : array of shape (S,)
        Nameplate of each string [W].

    Returns
    -------
    boolean array of shape (S,)
        At most one string: with two at nothing the balance cannot say whose energy it is.

    Notes
    -----
    An inverter gives back a little less than its strings give. Where it gives more than the others do by half of
    what this string should add, the string works and its channel is dead. An open string is missing on both sides.
    """
    share = rated_w / rated_w.sum()
    quiet = dc_kwh <= _NOTHING * share * ac_kwh
    if np.count_nonzero(quiet) != 1 or share[quiet][0] < _LEAST_SHARE:
        return np.zeros(dc_kwh.shape, dtype=bool)
    others = float(dc_kwh[~quiet].sum())
    should_add = _WORKS * others * share[quiet][0] / max(1.0 - share[quiet][0], 1e-9)
    works = ac_kwh > _EFFICIENCY * (others + should_add) and ac_kwh > others
    return np.asarray(quiet & works)
