"""How a plane truly lies: tilt and azimuth from its own power on cloudless stretches, without a sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ingest.readings import Seconds, Values
from monitor.model.clearness import clear_stretches, solar_days
from monitor.model.grid import STEP_S
from monitor.model.levelling import Levelled, Points, Whole, level, price, rough_price, two_planes
from monitor.model.trial import Maker, Spot, put_on_trial

Orientation = tuple[float, float]  # tilt from horizontal, azimuth clockwise from north [deg]

_MIN_INTERVALS = 10  # of a day, or it is left out
_MOST_DAYS, _PARTS = 60, 12  # the longest clear ones of each twelfth of the record
_LOW_SUN_DEG = 8.0
MIN_CLEAR_DAYS = 3
# Start of the search: every combination of these, and level.
_TILTS = (12.0, 30.0, 48.0, 68.0, 88.0)
_AZIMUTHS = tuple(float(a) for a in range(0, 360, 20))
_STARTS, _STARTS_APART_DEG = 3, 25.0
_ROUGHLY = 360  # intervals that the search looks at
_ROUNDS = 8
# What the model's own physics get wrong in whatever number of days [deg]: east-west; north-south; and north-south for
# each degree that a plane leans east or west, for there it rests on the sun's height alone. Haze, glass and
# transposition widen or narrow a day's curve far more than they skew it.
_FLOOR_EAST, _FLOOR_NORTH, _FLOOR_NORTH_BY_EAST = 1.1, 1.6, 0.04
# A fit is believed up to these [deg]; across is the azimuth's error times the sine of the tilt.
_SURE_TILT, _SURE_ACROSS, _GOOD_RESIDUAL = 6.0, 8.0, 0.033
# Price (chi squared) by which one explanation must beat another.
_CLEARLY = 9.0
_CLOCK_SHIFTS_S = tuple(float(s) for s in range(-5400, 5401, 1800))
_CLOCK_MATTERS_S = 600.0
_CLOCK_ASKED_DEG = 8.0


@dataclass(frozen=True, slots=True)
class OrientationFit:
    """A plane's orientation as its power tells it.

    `tilt_sigma` and `azimuth_sigma` are standard deviations [deg]; the azimuth's is 180 where a plane is so level that
    it has none. `scale` is measured power over the model's. `days` and `windows` count clear days and clear intervals
    used; `residual` is the typical departure from the fitted curve, as a share. `better_than_stated` is by how much
    chi squared is smaller than with the stated orientation (infinite if none was stated). `clock_doubt_s` is the
    seconds that the log's clock would have to be fast to explain all of it with the stated orientation; 0 where it
    cannot. `trusted` tells whether to use the fit, `why_not` says in words why it is not.
    """

    tilt_deg: float
    azimuth_deg: float
    tilt_sigma: float
    azimuth_sigma: float
    scale: float
    days: int
    windows: int
    residual: float
    better_than_stated: float
    clock_doubt_s: float
    trusted: bool
    why_not: str


def fit_orientation(
    power_w: Values,
    starts: Seconds,
    *,
    spot: Spot,
    maker: Maker,
    stated: Orientation | None = None,
    air_c: Values | None = None,
) -> OrientationFit:
    """Fit tilt and azimuth to the power of the first weeks.

    Parameters
    ----------
    power_w : array of shape (T,)
        Mean power in each grid interval [W]; NaN is a gap. A string's or module's DC power, or the AC power of an
        inverter with one plane.
    starts : array of shape (T,)
        Interval starts without holes [UTC epoch seconds].
    spot : Spot
        Latitude, longitude [deg] and altitude [m].
    maker : Maker
        Nameplate [W] and temperature coefficient [1/K]; the inverter's rating for AC power, None for DC.
    stated : (tilt, azimuth), optional
        What the papers say [deg]. It is one of the starts and the yardstick of the result, no more.
    air_c : array of shape (T,), optional
        Measured air temperature [degC].

    Returns
    -------
    OrientationFit
        Not trusted, with the reason in words, where the data do not tell.

    Notes
    -----
    Generalised least squares in the logarithm of power over (tilt sin azimuth, tilt cos azimuth), which has no seam at
    a level plane. What else shapes a cloudless day is fitted along, each within its own spread: haze and level of
    every day, their mean and drift over the weeks, the air's swing, behaviour at low light, the diffuse part. Errors
    within a day count as correlated. Shade only takes away, so intervals far below the curve lose their weight.
    """
    points = _gather(power_w, starts, spot, maker, air_c)
    if points is None or points.days < MIN_CLEAR_DAYS:
        return _nothing(0 if points is None else points.days)
    rough = points.some(_ROUGHLY)
    around = [(0.0, 180.0), *((t, a) for t in _TILTS for a in _AZIMUTHS)]
    guesses = {one: rough.trial.guess(*one).power_w for one in around}
    fit = _refine(points, rough, _search(rough, guesses, stated))
    if two_planes(rough, rough.trial.guess(*orientation_of(fit.towards)).power_w, guesses):
        return replace(_result(points, fit, stated), why_not="the power looks like that of two planes")
    result = _result(points, fit, stated)
    if stated is not None and float(np.hypot(*(fit.towards - vector(stated)))) > _CLOCK_ASKED_DEG:
        result = replace(result, clock_doubt_s=_clock_instead(points, fit, stated, spot))
    why_not = _why_not(result)
    return replace(result, trusted=not why_not, why_not=why_not)


def vector(orientation: Orientation) -> Values:
    """Tilt [deg] as a vector towards the azimuth: east and north part."""
    tilt, azimuth = orientation
    return np.array([tilt * np.sin(np.radians(azimuth)), tilt * np.cos(np.radians(azimuth))])


def orientation_of(towards: Values) -> Orientation:
    """The inverse of `vector`."""
    return float(np.hypot(*towards)), float(np.degrees(np.arctan2(towards[0], towards[1])) % 360.0)


def turn(azimuth_deg: float, from_deg: float) -> float:
    """Smallest turn from one azimuth to another, -180 to 180, clockwise positive."""
    return float((azimuth_deg - from_deg + 180.0) % 360.0 - 180.0)


def _gather(power_w: Values, starts: Seconds, spot: Spot, maker: Maker, air_c: Values | None) -> Points | None:
    """The clear intervals of the days with most of them."""
    days, before = solar_days(starts, power_w, spot.longitude)
    clear = clear_stretches(days, limit_w=maker.limit_w)
    counts = np.count_nonzero(clear, axis=1)
    clear[counts < _MIN_INTERVALS] = False
    clear[_spared(counts)] = False
    day, step = np.nonzero(clear)
    at = day * days.shape[1] + step - before
    if at.size == 0:
        return None
    times = starts[at] + STEP_S / 2.0
    trial = put_on_trial(times, spot, maker, None if air_c is None else air_c[at])
    high = trial.sun.elevation_deg > _LOW_SUN_DEG
    if not high.any():
        return None
    return Points.of(trial.part(high), times[high], power_w[at][high], day[high])


def _spared(counts: Whole) -> Whole:
    """Days that are more than needed: the shorter ones of each part of the record, so that every season has a say."""
    part = np.arange(counts.size) * _PARTS // max(counts.size, 1)
    order = np.lexsort((-counts, part))
    rank = np.empty(counts.size, dtype=np.int64)
    rank[order] = np.arange(counts.size) - np.searchsorted(part, part[order])
    return np.asarray(np.lexsort((-counts, rank))[_MOST_DAYS:])


def _search(rough: Points, guesses: dict[Orientation, Values], stated: Orientation | None) -> list[Orientation]:
    """The likeliest starts among orientations all around, and the stated one."""
    starts: list[Orientation] = [] if stated is None else [stated]
    most = len(starts) + _STARTS
    for one in sorted(guesses, key=lambda o: rough_price(rough, guesses[o])):
        if len(starts) < most and all(np.hypot(*(vector(one) - vector(s))) > _STARTS_APART_DEG for s in starts):
            starts.append(one)
    return starts


@dataclass(frozen=True, slots=True)
class _Found:
    towards: Values
    levelled: Levelled


def _refine(points: Points, rough: Points, starts: list[Orientation]) -> _Found:
    """Follow each start a little, the best one to its end."""
    followed = [_follow(rough, vector(s), 3) for s in starts]
    best = min(followed, key=lambda f: f.levelled.price)
    return _follow(points, best.towards, _ROUNDS)


def _follow(points: Points, towards: Values, rounds: int) -> _Found:
    """Gauss-Newton steps of at most 15 degrees, kept within tilts of 0 to 90."""
    weights = np.ones(points.power_w.size)
    for _ in range(rounds):
        levelled = level(points, orientation_of(towards), weights)
        step = levelled.step * min(1.0, 15.0 / max(float(np.hypot(*levelled.step)), 1e-9))
        towards = towards + step
        towards = towards * min(1.0, 90.0 / max(float(np.hypot(*towards)), 1e-9))
        weights = levelled.weights
        if float(np.hypot(*step)) < 0.02:
            break
    return _Found(towards, level(points, orientation_of(towards), weights))


def _result(points: Points, fit: _Found, stated: Orientation | None) -> OrientationFit:
    """The orientation with its uncertainty, and its gain over the stated one; not judged yet."""
    spread = max(1.0, fit.levelled.spread)
    tilt, azimuth = orientation_of(fit.towards)
    north = _FLOOR_NORTH + _FLOOR_NORTH_BY_EAST * abs(float(fit.towards[0]))
    covariance = fit.levelled.covariance * spread + np.diag([_FLOOR_EAST**2, north**2])
    along = vector((1.0, azimuth))
    across = np.array([along[1], -along[0]])
    across_sigma = float(np.sqrt(across @ covariance @ across))
    better = np.inf
    if stated is not None:
        better = (price(points, stated, fit.levelled) - fit.levelled.price) / spread
    return OrientationFit(
        tilt_deg=tilt,
        azimuth_deg=azimuth,
        tilt_sigma=float(np.sqrt(along @ covariance @ along)),
        azimuth_sigma=min(float(np.degrees(across_sigma / max(tilt, 1e-6))), 180.0),
        scale=fit.levelled.scale,
        days=points.days,
        windows=int(points.power_w.size),
        residual=fit.levelled.residual,
        better_than_stated=float(better),
        clock_doubt_s=0.0,
        trusted=False,
        why_not="",
    )


def _why_not(fit: OrientationFit) -> str:
    """Why a fit is not to be used; empty if it is."""
    if fit.residual > _GOOD_RESIDUAL:
        return f"clear days differ by {100.0 * fit.residual:.0f} % from any plane's curve"
    across_sigma = np.radians(fit.azimuth_sigma) * fit.tilt_deg
    if fit.tilt_sigma > _SURE_TILT or across_sigma > _SURE_ACROSS:
        return f"{fit.days} clear days do not tell the orientation yet"
    if fit.clock_doubt_s:
        return f"a clock {abs(fit.clock_doubt_s) / 60.0:.0f} minutes wrong would explain it as well"
    return ""


def _clock_instead(points: Points, fit: _Found, stated: Orientation, spot: Spot) -> float:
    """Seconds the clock is fast, if the stated orientation with another clock is about as likely as the fit; else 0."""
    prices = np.array([_clock_price(points, fit, stated, spot, s) for s in _CLOCK_SHIFTS_S])
    n = int(np.clip(np.argmin(prices), 1, prices.size - 2))
    a, b, c = prices[n - 1 : n + 2]
    bend = a - 2.0 * b + c
    part = float(np.clip(0.5 * (a - c) / bend, -0.7, 0.7)) if bend > 0.0 else 0.0
    shift = _CLOCK_SHIFTS_S[n] + part * (_CLOCK_SHIFTS_S[1] - _CLOCK_SHIFTS_S[0])
    best = min(float(prices.min()), _clock_price(points, fit, stated, spot, shift))
    likely = (best - fit.levelled.price) / max(1.0, fit.levelled.spread) < _CLEARLY
    return shift if likely and abs(shift) > _CLOCK_MATTERS_S else 0.0


def _clock_price(points: Points, fit: _Found, stated: Orientation, spot: Spot, fast_s: float) -> float:
    trial = put_on_trial(points.times - fast_s, spot, points.trial.maker)
    return price(replace(points, trial=trial), stated, fit.levelled, loose=True)


def _nothing(days: int) -> OrientationFit:
    """No answer."""
    nan, far = float("nan"), float("inf")
    why = f"{days} clear days do not tell the orientation yet"
    return OrientationFit(nan, nan, far, 180.0, nan, days, 0, nan, 0.0, 0.0, False, why)
