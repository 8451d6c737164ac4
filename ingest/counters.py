"""Cumulative registers to energies: across gaps, resets and roll-overs, and never a negative step."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ingest.readings import Seconds, Values

_MARGIN = 1.5  # a step may be this much faster than the fastest that was seen
_NEAR_MODULUS = 0.85  # below this share of its modulus a register does not roll over within one step
_NEIGHBOURS = 3
_MOST_DECIMALS = 3
_FEWEST_COUNTS = 1e5  # a decimal register has five digits or more
_DAY = 86_400
_FEWEST_RESETS = 2  # on as many days at the same time: a register that counts each day by itself
_SHARE_OF_DAYS = 0.4
_CLOCK_CHANGE_S = 3_600


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
        Seconds between those two readings' ends, or from the daily reset to this reading where that fell into a gap;
        NaN where there is no previous reading or none here.

    Notes
    -----
    After a reset the energy is what the register has counted since zero. "About zero" is what the register could
    count in two intervals at the fastest rate it shows. A roll-over is believed when the register stood within 15 per
    cent of a power of ten, or of 2**16 or 2**32 times its resolution, that none of its readings exceeds, and the
    wrapped step is no faster than the steps around it; or no faster than the fastest step, if the register was moving
    or has rolled over there at another time. A register that falls to zero at the same time of two days or more is
    one that counts each day by itself: it does not roll over then, and a gap over that time ends with what was
    counted since. Common practice.
    """
    energy, span_s = np.full(register.shape, np.nan), np.full(register.shape, np.nan)
    rows = np.flatnonzero(~np.isnan(register))
    rows = rows[~_out_of_line(starts[rows], register[rows])]
    if rows.size < 2:
        return energy, span_s
    track = _Track(starts[rows], register[rows], interval_s)
    energy[rows[1:]], span_s[rows[1:]] = _energies(track)
    return energy, span_s


class _Track:
    """The known readings of a register, and what they tell about it as a whole."""

    def __init__(self, ends: Seconds, values: Values, interval_s: int) -> None:
        self.ends, self.values = ends, values
        self.spans, self.steps = np.diff(ends).astype(np.float64), np.diff(values)
        self.short, self.interval_s = 2 * interval_s, interval_s
        self.rates = _rates(self.steps, self.spans)
        self.fastest = _fastest(self.rates)
        self.resolution = _resolution(values)
        self.jitter = 2 * self.resolution
        self.moduli = _moduli(values, self.resolution)

    def around(self, fall: int) -> Values:
        """Rates of the steps around one."""
        return self.rates[max(fall - _NEIGHBOURS, 0) : fall + 1 + _NEIGHBOURS]

    def modulus(self, fall: int) -> float:
        """The modulus that the register was just below; infinite where there is none."""
        near = self.moduli[self.values[fall] >= _NEAR_MODULUS * self.moduli]
        return float(near.min()) if near.size and self.values[fall + 1] >= 0 else np.inf

    def wrapped(self, fall: int) -> float:
        """The step over that modulus."""
        return float(self.modulus(fall) - self.values[fall] + self.values[fall + 1])

    def fits_neighbours(self, fall: int) -> bool:
        """Whether the step over the modulus is no faster than the steps around it."""
        near = _fastest(self.around(fall)) if self.spans[fall] <= self.short else self.fastest
        return bool(self.wrapped(fall) <= _MARGIN * near * self.spans[fall] + self.jitter)

    def fits_fastest(self, fall: int) -> bool:
        """Whether it is no faster than the fastest of all."""
        return bool(self.wrapped(fall) <= _MARGIN * self.fastest * self.spans[fall] + self.jitter)

    def was_moving(self, fall: int) -> bool:
        """Whether the register was counting just before."""
        return bool(np.nansum(self.rates[max(fall - _NEIGHBOURS, 0) : fall]) > 0)

    def is_about_zero(self, fall: int) -> bool:
        """Whether the register may have started from zero within two intervals."""
        most = self.fastest * min(self.spans[fall], self.short) + self.jitter
        return bool(0 <= self.values[fall + 1] <= most)


def _energies(track: _Track) -> tuple[Values, Values]:
    """Energy and span of every step."""
    energy, spans = track.steps.copy(), track.spans.copy()
    falls = np.flatnonzero(track.steps < 0).tolist()
    daily = _daily_reset(track, falls)
    rolled = {track.modulus(fall) for fall in falls if track.fits_neighbours(fall) and not _is_at(fall, track, daily)}
    for fall in falls:
        energy[fall] = _across_fall(fall, track, rolled=rolled, may_roll=not _is_at(fall, track, daily))
    if daily is not None:
        _count_from_reset(track, daily, energy, spans)
    return energy, spans


def _across_fall(fall: int, track: _Track, *, rolled: set[float], may_roll: bool) -> float:
    """Energy of a step at which the register fell; NaN when nobody can say."""
    at_the_end = track.fits_neighbours(fall) or (
        track.fits_fastest(fall)
        and (track.modulus(fall) in rolled or (track.was_moving(fall) and track.spans[fall] <= track.short))
    )
    if may_roll and at_the_end:
        return track.wrapped(fall)
    return float(track.values[fall + 1]) if track.is_about_zero(fall) else np.nan


def _daily_reset(track: _Track, falls: list[int]) -> int | None:
    """Time of day [s, UTC] at which a register falls to zero day by day; None for one that does not."""
    resets = [f for f in falls if track.spans[f] <= track.short and track.is_about_zero(f)]
    ends = [int(track.ends[f + 1]) for f in resets if not track.fits_neighbours(f)]
    days = len({end // _DAY for end in ends})
    if days < _FEWEST_RESETS or days < _SHARE_OF_DAYS * (np.unique(track.ends // _DAY).size - 1):
        return None
    clocks = np.array(ends) % _DAY
    off = (clocks - clocks[0] + _DAY // 2) % _DAY - _DAY // 2  # from the first of them, at most half a day
    if np.ptp(off) > track.short + _CLOCK_CHANGE_S:
        return None
    return int((clocks[0] + int(np.median(off)) - track.interval_s) % _DAY)


def _is_at(fall: int, track: _Track, daily: int | None) -> bool:
    """Whether a fall is at the time of the daily reset."""
    if daily is None:
        return False
    slack = track.short + _CLOCK_CHANGE_S
    return _resets_between(int(track.ends[fall]) - slack, int(track.ends[fall + 1]) + slack, daily) > 0


def _resets_between(begin: int, end: int, daily: int) -> int:
    return int((end - daily) // _DAY - (begin - daily) // _DAY)


def _count_from_reset(track: _Track, daily: int, energy: Values, spans: Values) -> None:
    """A gap over the daily reset ends with what was counted since; what came before it is not known."""
    for gap in np.flatnonzero(track.spans > track.short).tolist():
        end, counted = int(track.ends[gap + 1]), float(track.values[gap + 1])
        if not _resets_between(int(track.ends[gap]), end, daily):
            continue
        since = (end - daily) % _DAY
        possible = 0 <= counted <= _MARGIN * track.fastest * (since + track.interval_s) + track.jitter
        energy[gap] = counted if possible else np.nan
        spans[gap] = min(max(since, track.interval_s), spans[gap])


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
        if (np.abs(values - np.round(values, decimals)) <= 1e-6).all():
            return float(10.0**-decimals)
    return float(10.0**-_MOST_DECIMALS)


def _moduli(values: Values, resolution: float) -> Values:
    """Where a register of this resolution may roll over: at no value that it has exceeded."""
    scales = resolution * 10.0 ** np.arange(7)
    moduli = np.concatenate([_FEWEST_COUNTS * scales, 2.0**16 * scales, 2.0**32 * scales])
    return np.sort(moduli[moduli > values.max()])
