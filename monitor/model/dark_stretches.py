"""How much likelier each stretch of each day is dark by shade than by clouds: a hidden Markov model of the sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.looks import LooksInARow
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELL_ROW, Cells, directions

# The sky is closed, broken or clear, and stays so from look to look with these chances (rounded, and less lasting, than
# a fit to the looks of invented roofs; real skies at a quarter of an hour are about as lasting).
_STAYS: Values = np.array([[0.93, 0.06, 0.01], [0.09, 0.83, 0.08], [0.01, 0.06, 0.93]])
_AT_FIRST: Values = np.array([0.5, 0.25, 0.25])
# Apparent transmittance under each: a closed sky lets little through, a broken one anything, a clear one all of it.
_CLOSED = ((0.65, 0.13, 0.10), (0.35, 0.36, 0.15))
_BROKEN = (-0.1, 1.2)
_LEAST_SIGMA, _MOST_SIGMA = 0.06, 0.18
# A model of the roof that is not quite right, thin cloud, haze.
_UNEVEN, _UNEVEN_SHARE = (0.6, 1.4), 0.2
# Behind what shades, a clear sky lets through what bare wood or a part of the string in the sun does.
_DEEP, _DEEP_SPREAD, _DEEP_SHARE = 0.08, 0.09, 0.6
_SHADE_ENDS = (0.55, 0.80)
_BRIGHT = 0.75
# Looks are missing where a limit hid how bright it was, or nothing was recorded: so far apart two looks have some
# between them. Bright ones go missing more often, in the shade none does for its brightness.
_GAP_DEG, _STRIDE_DEG, _MOST_MISSING = 11.0, 4.5, 16
_GAP_LIT, _GAP_SHADED = np.array([0.2, 0.3, 0.6]), np.array([0.2, 0.2, 0.2])
_ODD = 0.03  # looks that nothing explains


@dataclass(frozen=True, slots=True)
class Stretches:
    """Looks of D days side by side, N at most, in the order of the sun, and what stretches of them say of shade.

    `azimuth_deg` runs with the day also where the sun passes in the north; unused places hold infinity. `gain` is the
    log likelihood ratio, shape (D, N, N), of shade against none for a stretch from a look to another one, included.
    """

    day: Cells
    azimuth_deg: Values
    row: Cells
    used: Mask
    bright: Mask  # looks that prove the sun
    gain: Values


def along(azimuth_deg: Values, latitude: float) -> Values:
    """Azimuth that grows during the day: clockwise from north, or anticlockwise from south where the sun is north."""
    return azimuth_deg if latitude >= 0.0 else (180.0 - azimuth_deg) % 360.0


def stretches(
    looks: LooksInARow, known_open: Mask, latitude: float, *, between: tuple[float, float], beside: int
) -> Stretches:
    """Weigh shade against clouds for every stretch of every day.

    Parameters
    ----------
    looks : LooksInARow
        Levelled looks, so that 1 is the open sky.
    known_open : array of shape (N,)
        Whether the cell of each look is known to have been open: the others tell nothing of new shade.
    latitude : float
        North positive [deg].
    between : (from, to)
        The azimuths of interest, as of `along` [deg]. Looks beyond are heard, but only so many (`beside`) come along.

    Notes
    -----
    Forward and backward passes of a hidden Markov model (Rabiner, Proceedings of the IEEE 77 (1989) 257) with three
    states of the sky; a stretch in the shade is the same chain with other emissions, so a morning that a cloud bank
    darkens counts once, not once for each of its looks.
    """
    path = _with_gaps(looks, known_open, latitude)
    days, first = np.unique(path.day, return_index=True)
    size = np.diff(np.append(first, path.day.size))
    at = first[:, None] + np.arange(int(size.max()))
    used = np.arange(int(size.max())) < size[:, None]
    at = np.where(used, at, 0)
    lit, shaded = _emissions(path.through[at], path.sigma[at])
    lit = np.where((used & path.telling[at])[..., None], lit, 1.0)
    shaded = np.where((used & path.telling[at])[..., None], shaded, 1.0)
    forward, scale, backward = _passes(lit)
    azimuth = np.where(used, path.azimuth_deg[at], np.inf)
    begin = np.maximum((azimuth < between[0]).sum(axis=1) - beside, 0)
    end = np.minimum((azimuth < between[1]).sum(axis=1) + beside, size)
    count = max(int((end - begin).max()), 1)
    part = begin[:, None] + np.arange(count)
    inside = part < end[:, None]
    part = np.where(inside, part, 0)
    day = np.arange(days.size)[:, None]
    first_chance = np.concatenate(
        [np.broadcast_to(_AT_FIRST, (days.size, 1, 3)), forward[:, :-1] @ _STAYS], axis=1
    )  # fmt: skip
    at = at[day, part]
    return Stretches(
        days, np.where(inside, azimuth[day, part], np.inf), path.row[at], inside,
        inside & (path.through[at] > _BRIGHT),
        _gains(first_chance[day, part], scale[day, part], backward[day, part], shaded[day, part]),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Path:
    """Looks in a row with what is missing between them, NaN in `through`; shape (N,)."""

    day: Cells
    azimuth_deg: Values
    row: Cells
    through: Values
    sigma: Values
    telling: Mask


def _with_gaps(looks: LooksInARow, known: Mask, latitude: float) -> _Path:
    """Looks, and one for each cell or so between two that lie far apart on a day."""
    sun = directions(CELL_AZIMUTH, CELL_ELEVATION)[looks.cell]
    way = np.degrees(np.arccos(np.clip((sun[1:] * sun[:-1]).sum(axis=1), -1.0, 1.0)))
    missing = np.rint(way / _STRIDE_DEG).astype(np.int64) - 1
    missing = np.where((looks.day[1:] == looks.day[:-1]) & (way > _GAP_DEG), np.minimum(missing, _MOST_MISSING), 0)
    each = np.append(missing, 0) + 1
    at = np.repeat(np.arange(looks.day.size), each)
    place = np.arange(at.size) - np.repeat(np.cumsum(each) - each, each)
    between, after = place / each[at], np.minimum(at + 1, looks.day.size - 1)
    azimuth, row, real = along(CELL_AZIMUTH, latitude)[looks.cell], CELL_ROW[looks.cell], place == 0
    return _Path(
        looks.day[at],
        np.where(real, azimuth[at], azimuth[at] + between * (azimuth[after] - azimuth[at])),
        np.where(real, row[at], np.rint(row[at] + between * (row[after] - row[at])).astype(np.int64)),
        np.where(real, looks.transmittance[at], np.nan),
        looks.sigma[at],
        np.where(real, known[at], known[at] | known[after]),
    )


def _emissions(through: Values, sigma: Values) -> tuple[Values, Values]:
    """Densities of looks in each state in the open and in the shade, shapes (D, N, 3)."""
    gap = np.isnan(through)
    through = np.where(gap, 0.0, through)
    sigma = np.clip(sigma, _LEAST_SIGMA, _MOST_SIGMA)
    closed = sum(share * _normal(through, mean, spread) for share, mean, spread in _CLOSED) + _ODD
    broken = np.where((through > _BROKEN[0]) & (through < _BROKEN[1]), 1.0 / (_BROKEN[1] - _BROKEN[0]), _ODD)
    uneven = np.where((through > _UNEVEN[0]) & (through < _UNEVEN[1]), 1.0 / (_UNEVEN[1] - _UNEVEN[0]), 0.0)
    clear = (1.0 - _ODD - _UNEVEN_SHARE) * _normal(through, 1.0, sigma) + _UNEVEN_SHARE * uneven + _ODD
    below = np.clip((_SHADE_ENDS[1] - through) / (_SHADE_ENDS[1] - _SHADE_ENDS[0]), 0.0, 1.0)
    dim = below / (0.5 * sum(_SHADE_ENDS) - _BROKEN[0]) * (through > _BROKEN[0]) + _ODD
    deep = _DEEP_SHARE * _normal(through, _DEEP, _DEEP_SPREAD) + (1.0 - _DEEP_SHARE) * dim
    lit = np.where(gap[..., None], _GAP_LIT, np.stack([closed, broken, clear], axis=-1))
    return lit, np.where(gap[..., None], _GAP_SHADED, np.stack([closed, dim, deep], axis=-1))


def _normal(values: Values, mean: float, spread: Values | float) -> Values:
    return np.asarray(np.exp(-0.5 * ((values - mean) / spread) ** 2) / (np.sqrt(2.0 * np.pi) * spread))


def _passes(lit: Values) -> tuple[Values, Values, Values]:
    """Scaled forward chances (D, N, 3), scales (D, N) and backward factors (D, N, 3)."""
    forward, backward = np.empty_like(lit), np.ones_like(lit)
    scale = np.empty(lit.shape[:2])
    chance = np.broadcast_to(_AT_FIRST, lit[:, 0].shape)
    for n in range(lit.shape[1]):
        told = chance * lit[:, n]
        scale[:, n] = told.sum(axis=1)
        forward[:, n] = told / scale[:, n, None]
        chance = forward[:, n] @ _STAYS
    for n in range(lit.shape[1] - 2, -1, -1):
        backward[:, n] = (backward[:, n + 1] * lit[:, n + 1]) @ _STAYS.T / scale[:, n + 1, None]
    return forward, scale, backward


def _gains(chance: Values, scale: Values, backward: Values, shaded: Values) -> Values:
    """Log likelihood ratios of stretches, all that are equally long at a time."""
    days, count, _ = chance.shape
    gain = np.zeros((days, count, count))
    shaded = shaded / scale[:, :, None]
    told = chance
    for length in range(count):
        told = told[:, : count - length] * shaded[:, length:]
        last = np.arange(length, count)
        gain[:, last - length, last] = (told * backward[:, length:]).sum(axis=2)
        told = told @ _STAYS
    return np.asarray(np.log(np.where(gain > 0.0, gain, 1.0)))
