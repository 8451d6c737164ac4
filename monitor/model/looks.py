"""What one day tells of the things before the sky: looks, from which the as-installed sky map is built."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache
from typing import Any, cast

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.physics import CLEAR_NODE, Physics, at_index
from monitor.model.skycells import Cells, cell_of, directions

EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
LOWEST_SUN_DEG = 4.0
_LEAST_COS_INCIDENCE = 0.2588  # 75 degrees
_LEAST_BEAM_SHARE = 0.3
_LEAST_CLEAR = 0.03  # of the rating
_LIMIT = 0.97
# No obstruction takes all the light: less than this share of the modelled diffuse part is a standstill.
_LEAST_DIFFUSE = 0.2
# A clear window: five intervals that lie on a straight line within 2 %, as the cloudless curve of a roof whose plane
# is not quite the one on paper does.
_WINDOW = 5
_STRAIGHT = 0.02
_STEEPEST = 0.04  # per interval
_CLEAR_RANGE = (0.65, 1.45)
_TOP_SHARE = 0.85
_STEPS: Values = np.arange(_WINDOW, dtype=np.float64) - (_WINDOW - 1) / 2.0
_SLOPE: Values = _STEPS / np.sum(_STEPS**2)
_BEND: Values = np.eye(_WINDOW) - 1.0 / _WINDOW - np.outer(_SLOPE, _STEPS)
# How sure a cloudless interval is, by the intervals since or until a clear window.
_SEEN_CLEAR, _BESIDE_CLEAR, _NEVER_SURE = 0.97, 0.85, 0.06
# How many intervals a clear sky lasts: on a day that shows it once, and more the more of the day shows it.
_LASTS, _LASTS_LONGER = 6.0, 30.0
# A sky that others saw: from this clear-sky index on it says something, from the other on, before and after as well, it
# is clear.
_BRIGHT_INDEX, _CLEAR_INDEX, _OTHERS_SURE = 0.80, 0.95, 0.90
_LEAST_BRIGHT_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class DayLooks:
    """One subject's looks of one local day, one for each sky cell (see `skycells`) that the sun passed; shape (N,).

    `transmittance` is apparent: what of the modelled beam was found, 1 in the open; it may lie outside 0 to 1.
    `sigma` is its uncertainty if the sky was clear, `clarity` the chance that it was, `cos_incidence` the cosine of
    the sun's angle to the modules' normal, `beam_share` the modelled share of power that comes straight from the sun.
    """

    day: date
    cell: Cells
    transmittance: Values
    sigma: Values
    clarity: Values
    cos_incidence: Values
    beam_share: Values

    def to_values(self) -> dict[str, Any]:
        """Numbers for the store: whole thousandths and hundredths."""
        return {
            "day": self.day.isoformat(),
            "cell": self.cell.tolist(),
            "transmittance": _whole(self.transmittance, 1000.0),
            "sigma": _whole(self.sigma, 1000.0),
            "clarity": _whole(self.clarity, 100.0),
            "cos_incidence": _whole(self.cos_incidence, 1000.0),
            "beam_share": _whole(self.beam_share, 1000.0),
        }

    @staticmethod
    def from_values(values: Mapping[str, Any]) -> DayLooks:
        """Looks as `to_values` gave them."""
        return DayLooks(
            date.fromisoformat(values["day"]),
            np.asarray(values["cell"], dtype=np.int64),
            np.asarray(values["transmittance"], dtype=np.float64) / 1000.0,
            np.asarray(values["sigma"], dtype=np.float64) / 1000.0,
            np.asarray(values["clarity"], dtype=np.float64) / 100.0,
            np.asarray(values["cos_incidence"], dtype=np.float64) / 1000.0,
            np.asarray(values["beam_share"], dtype=np.float64) / 1000.0,
        )


@dataclass(frozen=True, slots=True)
class LooksInARow:
    """The looks of many days in a row, oldest first, as of `DayLooks`; `day` is days since 1970; shape (N,)."""

    day: Cells
    cell: Cells
    transmittance: Values
    sigma: Values
    clarity: Values
    cos_incidence: Values
    beam_share: Values


def in_a_row(looks: Sequence[DayLooks]) -> LooksInARow:
    """Put the looks of days in a row."""
    if not looks:
        none = np.zeros(0)
        return LooksInARow(none.astype(np.int64), none.astype(np.int64), none, none, none, none, none)
    days = np.array([one.day.toordinal() for one in looks], dtype=np.int64) - EPOCH_ORDINAL
    return LooksInARow(
        np.repeat(days, [one.cell.size for one in looks]),
        *(np.concatenate([getattr(one, f.name) for one in looks]) for f in fields(DayLooks) if f.name != "day"),
    )


@dataclass(frozen=True, slots=True)
class Facing:
    """A plane by tilt and azimuth (clockwise from north) [deg], and how much of the subject lies in it."""

    tilt_deg: float
    azimuth_deg: float
    weight: float = 1.0


def day_looks(
    power_w: Values,
    physics: Physics,
    subject: str,
    *,
    day: date,
    gain: float,
    limit_w: float,
    facing: Sequence[Facing],
    index: Values | None = None,
) -> DayLooks:
    """Estimate from one day how much of the beam came through, by sky cell.

    Parameters
    ----------
    power_w : array of shape (T,)
        Measured power of a string, inverter or module [W]; NaN in gaps and wherever anything but the sky and the
        inverter's rating held it down (export limit, grid voltage, snow).
    physics : Physics
        Tables of the site for that day, T grid intervals.
    subject : str
        Whose tables to compare with: `string:ID` or `inverter:ID` (a module: its string, with a gain for the share).
    day : date
        Local day.
    gain : float
        Learned ratio of the subject's power to its table.
    limit_w : float
        Power that the subject cannot exceed [W]; intervals near it are left out.
    facing : sequence of Facing
        The planes that the subject lies in.
    index : array of shape (T,), optional
        Clear-sky index that others saw (weather, sensor, neighbours, siblings), NaN where nobody did. A low one is
        not believed, since siblings may lie in the same shade: it never explains shade away.

    Returns
    -------
    DayLooks
        Low sun (below 4 degrees), incidence beyond 75 degrees, limited intervals, gaps and standstill left out.

    Notes
    -----
    Apparent transmittance T = (P - diffuse part) / (beam part). Where others saw a bright sky, the parts are those of
    that sky; elsewhere those of a cloudless one, and the look's `clarity` tells how likely it was cloudless: surely in
    a clear window of the subject's own power, likely close before and after one, hardly otherwise. Power is electrical:
    a string that is shaded in part loses more than its area, so T is an effective transmittance for this subject, not
    the optical one.
    """
    clear, share, incidence, usable = _modelled(power_w, physics, subject, gain, limit_w, facing)
    at = np.flatnonzero(usable)
    clarity = _clarity(np.where(usable, power_w, np.nan) / np.maximum(clear, 1e-9))[at]
    modelled, share, incidence = clear[at], share[at], incidence[at]
    if index is not None:
        seen = index[at]
        bright = np.flatnonzero(seen > _BRIGHT_INDEX)
        columns, seen = at[bright], seen[bright]
        tables = np.concatenate([physics.power_w[subject][:, columns], physics.beam_share[subject][:, columns]], axis=1)
        looked_up = at_index(tables, np.concatenate([seen, seen]))
        modelled[bright] = gain * looked_up[: seen.size]
        share[bright] = np.maximum(looked_up[seen.size :], _LEAST_BRIGHT_SHARE)
        around = np.fmin(np.fmin(index[columns - 1], seen), index[np.minimum(columns + 1, index.size - 1)])
        told = _OTHERS_SURE * np.clip((around - _BRIGHT_INDEX) / (_CLEAR_INDEX - _BRIGHT_INDEX), 0.0, 1.0)
        clarity[bright] = np.maximum(clarity[bright], told)
    cells = cell_of(physics.sun.azimuth_deg[at], physics.sun.elevation_deg[at])
    return _by_cell(day, cells, power_w[at] / modelled, share, clarity, incidence)


def module_looks(
    power_w: Values,
    physics: Physics,
    string: str,
    *,
    day: date,
    gain: float,
    modules: int,
    limit_w: float,
    facing: Sequence[Facing],
) -> list[DayLooks]:
    """Looks of each module of a string whose modules are measured alone.

    Parameters
    ----------
    power_w : array of shape (M, T)
        Measured power of M of its modules [W]; NaN in gaps.
    physics, day, facing
        As of `day_looks`.
    string : str
        `string:ID`, whose tables are shared out evenly.
    gain : float
        Learned ratio of the string's power to its table.
    modules : int
        How many the string has.
    limit_w : float
        Power that a module cannot exceed [W].

    Returns
    -------
    list of DayLooks
        In the order of the rows. How clear the sky was, a better quarter of the modules tells for all: they are alike
        and stand under one sky, and what shades some of them leaves others in the sun.
    """
    clear, share, incidence, usable = _modelled(power_w, physics, string, gain / modules, limit_w, facing)
    at = np.flatnonzero(usable.any(axis=0))
    ratio = np.where(usable, power_w, np.nan) / np.maximum(clear, 1e-9)
    brightest = np.full(clear.shape, np.nan)
    brightest[at] = _upper_quarter(ratio[:, at])
    clarity = _clarity(brightest)[at]
    cells = cell_of(physics.sun.azimuth_deg[at], physics.sun.elevation_deg[at])
    found = []
    for own in ratio[:, at]:
        known = ~np.isnan(own)
        found.append(_by_cell(day, cells[known], own[known], share[at][known], clarity[known], incidence[at][known]))
    return found


def _modelled(
    power_w: Values, physics: Physics, subject: str, gain: float, limit_w: float, facing: Sequence[Facing]
) -> tuple[Values, Values, Values, Mask]:
    """Cloudless power, its beam share, the cosine of incidence, and where powers (T,) or (M, T) say something."""
    clear = gain * physics.power_w[subject][CLEAR_NODE]
    share = physics.beam_share[subject][CLEAR_NODE]
    incidence = _cos_incidence(physics, tuple(facing))
    with np.errstate(invalid="ignore"):
        usable = (
            (physics.sun.zenith_deg < 90.0 - LOWEST_SUN_DEG)
            & (incidence > _LEAST_COS_INCIDENCE)
            & (share > _LEAST_BEAM_SHARE)
            & (clear > _LEAST_CLEAR * limit_w)
            & (power_w > _LEAST_DIFFUSE * (1.0 - share) * clear)
            & (power_w < _LIMIT * limit_w)
        )
    return clear, share, incidence, usable


def _whole(values: Values, factor: float) -> list[int]:
    return cast("list[int]", np.rint(values * factor).astype(np.int64).tolist())


def _cos_incidence(physics: Physics, facing: tuple[Facing, ...]) -> Values:
    """Cosine of the incidence angle, the mean of the planes by weight."""
    sun = directions(physics.sun.azimuth_deg, physics.sun.elevation_deg)
    normals, weights = _normals(facing)
    return np.asarray(np.maximum(sun @ normals, 0.0) @ weights)


@lru_cache(maxsize=4096)
def _normals(facing: tuple[Facing, ...]) -> tuple[Values, Values]:
    """Normals of planes, shape (3, N), and their weights, which sum to one."""
    azimuth, tilt, weight = (
        np.array([getattr(f, name) for f in facing]) for name in ("azimuth_deg", "tilt_deg", "weight")
    )
    return directions(azimuth, 90.0 - tilt).T, weight / weight.sum()


def _clarity(ratio: Values) -> Values:
    """Chance that each interval was cloudless, from the shape of measured over cloudless power; NaN is unusable."""
    clear = _clear_windows(ratio)
    places = np.flatnonzero(clear)
    if places.size == 0:
        return np.full(ratio.shape, _NEVER_SURE)
    lasts = _LASTS + _LASTS_LONGER * (places.size / np.count_nonzero(~np.isnan(ratio))) ** 2
    here = np.arange(ratio.size)
    after = np.searchsorted(places, here)
    until = np.where(after < places.size, places[np.minimum(after, places.size - 1)] - here, np.inf)
    before = np.searchsorted(places, here, side="right") - 1
    since = np.where(before >= 0, here - places[np.maximum(before, 0)], np.inf)
    doubt = (1.0 - _BESIDE_CLEAR * np.exp(-since / lasts)) * (1.0 - _BESIDE_CLEAR * np.exp(-until / lasts))
    return np.where(clear, _SEEN_CLEAR, np.maximum(1.0 - doubt, _NEVER_SURE))


def _clear_windows(ratio: Values) -> Mask:
    """Intervals in a window whose ratio runs straight, on the level of the day's other such windows."""
    clear = np.zeros(ratio.shape, dtype=bool)
    windows = ratio[np.arange(ratio.size - _WINDOW + 1)[:, None] + np.arange(_WINDOW)]
    mean = windows.mean(axis=1)
    straight = np.abs(windows @ _BEND).max(axis=1) < _STRAIGHT * mean
    flat = np.abs(windows @ _SLOPE) < _STEEPEST * mean
    found = np.flatnonzero(straight & flat & (mean > _CLEAR_RANGE[0]) & (mean < _CLEAR_RANGE[1]))
    if found.size:
        found = found[mean[found] > _TOP_SHARE * np.sort(mean[found])[int(0.8 * (found.size - 1))]]
        clear[(found[:, None] + np.arange(_WINDOW)).ravel()] = True
    return clear


def _by_cell(day: date, cells: Cells, ratio: Values, share: Values, clarity: Values, incidence: Values) -> DayLooks:
    """Looks of intervals by measured over modelled power; those in a row in one cell are one, the clearer count more.

    The share is a harmonic mean, so that looks can be taken over to another gain.
    """
    through = (ratio - 1.0 + share) / share
    sigma = np.hypot(0.03 + 0.02 / incidence, 0.3 * (1.0 - share) / share)
    if cells.size == 0:
        return DayLooks(day, cells, through, sigma, clarity, incidence, share)
    first = np.flatnonzero(np.concatenate([[True], cells[1:] != cells[:-1]]))
    told = clarity * np.stack([np.ones(cells.size), through, sigma, clarity, incidence, 1.0 / share])
    sums = np.add.reduceat(told, first, axis=1)
    mean = sums[1:] / sums[0]
    return DayLooks(day, cells[first], mean[0], mean[1], mean[2], mean[3], 1.0 / mean[4])


def _upper_quarter(ratio: Values) -> Values:
    """The upper quartile of each column's numbers, NaN left out; shape (M, T) with a number in every column to (T,)."""
    ordered = np.sort(ratio, axis=0)
    place = 0.75 * (np.count_nonzero(~np.isnan(ratio), axis=0) - 1)
    below, columns = place.astype(np.int64), np.arange(ratio.shape[1])
    part = place - below
    low, high = ordered[below, columns], ordered[np.ceil(place).astype(np.int64), columns]
    return np.asarray(np.where(part >= 0.5, high - (high - low) * (1.0 - part), low + (high - low) * part))
