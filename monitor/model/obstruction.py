"""From the looks of many days to the sky map: which cells were dark whenever the sky was clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.ndimage import label
from scipy.special import ndtr

from ingest.readings import Mask, Values
from monitor.model.looks import DayLooks, LooksInARow, in_a_row
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELLS, NEIGHBOURS, RASTER, ROWS, Cells, directions
from monitor.model.skymap import SkyMap, leaf_share, open_sky

# Transmittances that are weighed against each other: of cells that look the same every day, and of cells that an edge
# runs through, which are bright on some days and dark on others.
_EVEN: Values = np.linspace(0.0, 1.0, 21)
_TORN: Values = np.linspace(0.1, 0.8, 8)
_THROUGH: Values = np.concatenate([_EVEN, _TORN])
_LIT = 0.87
_OPEN = _THROUGH > _LIT
# What was known before any look: most of the sky is open, and an edge is where something stands beside it.
_IS_EVEN = np.arange(_THROUGH.size) < _EVEN.size
_PRIOR: Values = np.where(_OPEN, np.log(0.85 / _OPEN.sum()), np.log(0.15 / 18.0))
_PRIOR[~_IS_EVEN] = -50.0
_PRIOR_BESIDE: Values = np.where(_OPEN, np.log(0.5 / _OPEN.sum()), np.log(0.5 / (~_OPEN).sum()))
_DARK, _DARK_BESIDE = (float(np.exp(p[~_OPEN]).sum() / np.exp(p).sum()) for p in (_PRIOR, _PRIOR_BESIDE))
_FLAT = np.zeros(_THROUGH.size)
# Share of a neighbour's evidence that counts for a cell, and how much evidence at most: an edge lies between some.
_FROM_BESIDE, _MOST_LENT = 0.25, 8.0
_CLOUD_BRIGHT = 2.5  # under clouds the diffuse part is so many times less sure
_ODD = 0.03  # looks that nothing explains
# Classes of looks, for which likelihoods are tabled.
_SEEN: Values = np.linspace(-0.3, 1.2, 61)
_SIGMAS: Values = np.array([0.04, 0.06, 0.08, 0.11, 0.15, 0.2, 0.3, 0.45])
_CLARITIES: Values = np.array([0.06, 0.15, 0.3, 0.45, 0.6, 0.75, 0.85, 0.92, 0.97])
_MOST_HAZE, _DIM_DAY = 0.12, 0.4
_CLEAR_LOOK = 0.85  # looks from this clarity on tell how the open sky looks to this roof
_TELLING_LOOK = 0.25

MIN_DAYS = 3  # distinct telling days before a cell is called shaded
_MIN_CELLS = 4  # of a connected obstruction
_SURE, _LIKELY = 0.85, 0.5
_SEASON_DAYS = 2
_LEAST_SEASON_STEP, _SEASON_SIGMAS = 0.12, 2.5
FREEZE_AFTER_DAYS, FREEZE_AT_ONCE_DAYS = 20, 10
_FREEZE_OPEN = 0.05


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What looks of one season, or of all, say: telling days and the last of them by cell, and of `seen` cells (N,).

    `likelihood` is the log-likelihood of each transmittance (N, H) by their own looks, `heard` with what neighbouring
    cells lend.
    """

    seen: Cells
    likelihood: Values
    heard: Values
    days: Cells
    last: Cells


def build_map(looks: Sequence[DayLooks] | LooksInARow, *, latitude: float, frozen: SkyMap | None = None) -> SkyMap:
    """Build a subject's sky map.

    Parameters
    ----------
    looks : sequence of DayLooks, or the same in a row
        All good days of the baseline epoch up to now; days with an open finding, with snow, or otherwise in doubt are
        left out by the caller.
    latitude : float
        Of the site, north positive [deg].
    frozen : SkyMap, optional
        The map as last built. Cells that it marks frozen are kept as they are, whatever newer looks say.

    Returns
    -------
    SkyMap
        Cells are open (1) unless shade is proven: by at least `MIN_DAYS` telling days, in a connected group of at least
        four cells. Cells of which nothing is known and that lie below an obstruction count as obstructed.

    Notes
    -----
    1. The open sky as this roof sees it: clear looks are fitted by T = 1 + (s . d) / cos(incidence) + a (m - 1) with
       the sun's direction s and air mass m. The three numbers of d stand for a wrong gain, tilt and azimuth, which
       change the beam on a plane by exactly such a term, and a for turbidity. Dark looks are kept out by weight, and
       what is left of a day as a whole (a hazy day) is taken out by its mean.
    2. Each cell's transmittance is judged by likelihood: a look equals it where the sky was clear, and may lie anywhere
       below it where clouds passed. So a bright look speaks against shade on any day, a dark one only as far as the sky
       was clear. This is the upper quantile over the days, with the chance of clouds of each look in place of a fixed
       quantile. Neighbouring cells lend a quarter of their evidence.
    3. An obstruction whose cells pass more light without leaves than with them gets a value for each season.
    4. A cell is frozen in a season once it is decided (`MIN_DAYS` telling days for shade, one for the open sky) and
       the last such day is `FREEZE_AFTER_DAYS` past (the sun has moved on), or after `FREEZE_AT_ONCE_DAYS` of them.
       A cell frozen open in one season stays open in the other: bare crowns stop light as well. So what grows later
       is not learned.
    """
    before = open_sky(latitude) if frozen is None else frozen
    joined = looks if isinstance(looks, LooksInARow) else in_a_row(looks)
    if not joined.day.size:
        return before
    every = levelled(joined)
    leafy_look = leaf_share(np.asarray(every.day % 365.2425) + 1.0, latitude) >= 0.5
    leafy, bare = _evidence(every, leafy_look), _evidence(every, ~leafy_look)
    both = _together(leafy, bare)
    groups = _obstructions(leafy, bare, both, before)
    leafy_through, bare_through = _seasons(groups, leafy, bare, both)
    # What was open in one season was no tree: had it turned dark by the other, it was built or has grown since.
    grown = _frozen_open(before)
    leafy_through, bare_through = np.where(grown, 1.0, leafy_through), np.where(grown, 1.0, bare_through)
    # Where one season is frozen and no look is left, the other keeps what was concluded from it.
    kept = (before.leafy_frozen | before.bare_frozen) & (leafy.days + bare.days == 0)
    leafy_through = np.where(before.leafy_frozen | kept, before.leafy, leafy_through)
    bare_through = np.where(before.bare_frozen | kept, before.bare, bare_through)
    today = int(every.day.max())
    built = SkyMap(
        latitude=latitude,
        leafy=leafy_through,
        bare=bare_through,
        leafy_days=np.where(before.leafy_frozen, before.leafy_days, leafy.days),
        bare_days=np.where(before.bare_frozen, before.bare_days, bare.days),
        leafy_frozen=before.leafy_frozen | _settled(leafy, leafy_through, today),
        bare_frozen=before.bare_frozen | _settled(bare, bare_through, today),
    )
    return _down_to_the_horizon(built)


def levelled(looks: LooksInARow) -> LooksInARow:
    """Looks over what the open sky shows this roof, and days that were dim as a whole brought up."""
    basis = _open_basis(looks)
    clear = looks.clarity >= _CLEAR_LOOK
    level = np.clip(1.0 + basis @ _open_fit(looks, basis, clear), 0.6, 1.6)
    through = looks.transmittance / level
    days, which = np.unique(looks.day, return_inverse=True)
    lit = clear & (through > 0.6) & (through < 1.4)
    count = np.bincount(which[lit], minlength=days.size)
    mean = np.bincount(which[lit], through[lit] - 1.0, days.size) / (count + 2.0)
    day_level = 1.0 + np.clip(mean, -_MOST_HAZE, _MOST_HAZE)[which]
    # A day that was dimmer throughout had thin clouds, or all of it lay in shade: it tells less.
    clarity = np.where(mean[which] < -_MOST_HAZE, _DIM_DAY, 1.0) * looks.clarity
    return replace(looks, transmittance=through / day_level, sigma=looks.sigma / level, clarity=clarity)


def _open_basis(looks: LooksInARow) -> Values:
    """Shape (N, 4): direction over cosine of incidence, and air mass beyond one."""
    sun = directions(CELL_AZIMUTH, CELL_ELEVATION)[looks.cell]
    airmass = 1.0 / np.sin(np.radians(np.maximum(CELL_ELEVATION, 5.0)))[looks.cell]
    return np.column_stack([sun / looks.cos_incidence[:, None], airmass - 1.0])


def _open_fit(looks: LooksInARow, basis: Values, clear: Mask) -> Values:
    """Coefficients of the open sky, by reweighting: what is darker than the fit by more than its doubt loses weight."""
    basis, found, sigma = basis[clear], looks.transmittance[clear] - 1.0, looks.sigma[clear]
    count = np.bincount(looks.cell[clear], minlength=CELLS)[looks.cell[clear]]
    base = 1.0 / (sigma**2 * np.maximum(count, 1.0))
    prior = np.diag(1.0 / np.array([0.08, 0.08, 0.08, 0.03]) ** 2)
    fit: Values = np.zeros(4)
    for _ in range(6):
        off = (found - basis @ fit) / np.maximum(sigma, 0.06)
        trust = 1.0 / (1.0 + (off / np.where(off < 0.0, 1.5, 3.0)) ** 2) ** 2
        weight = base * trust
        fit = np.asarray(np.linalg.solve(basis.T @ (weight[:, None] * basis) + prior, basis.T @ (weight * found)))
    return fit


def _evidence(looks: LooksInARow, of_season: Mask) -> _Evidence:
    """What the looks of a season say of each cell."""
    at = np.flatnonzero(of_season)
    cell, through, clarity = looks.cell[at], looks.transmittance[at], looks.clarity[at]
    which = (_nearest(_SEEN, through), _nearest(_SIGMAS, looks.sigma[at]), _nearest(_CLARITIES, clarity))
    order = np.argsort(cell, kind="stable")
    found, first = np.unique(cell[order], return_index=True)
    likelihood = np.zeros((0, _THROUGH.size))
    if at.size:
        likelihood = np.add.reduceat(_log_likelihoods()[which][order], first, axis=0)
    telling = (clarity >= _TELLING_LOOK) | (through > 0.75)
    days = np.bincount(cell[telling], minlength=CELLS)
    last = np.zeros(CELLS, dtype=np.int64)
    np.maximum.at(last, cell[telling], looks.day[at][telling])
    return _Evidence(found, likelihood, _heard(found, likelihood), days, last)


def _together(leafy: _Evidence, bare: _Evidence) -> _Evidence:
    """The evidence of both seasons."""
    seen = np.union1d(leafy.seen, bare.seen)
    likelihood = np.zeros((seen.size, _THROUGH.size))
    for one in (leafy, bare):
        likelihood[np.searchsorted(seen, one.seen)] += one.likelihood
    return _Evidence(seen, likelihood, _heard(seen, likelihood), leafy.days + bare.days, leafy.last)


def _heard(seen: Cells, likelihood: Values) -> Values:
    """The likelihood with what the neighbours lend."""
    lent = np.zeros((CELLS, _THROUGH.size))
    if seen.size:
        lent[seen] = np.maximum(likelihood - likelihood.max(axis=1, keepdims=True), -_MOST_LENT)
    return np.asarray(likelihood + _FROM_BESIDE * sum(lent[beside[seen]] for beside in NEIGHBOURS))


def _nearest(classes: Values, values: Values) -> Cells:
    return np.searchsorted((classes[1:] + classes[:-1]) / 2.0, values)


@cache
def _log_likelihoods() -> Values:
    """Log-likelihood by class of look and transmittance, shape (61, 8, 9, H)."""
    seen, sigma = _SEEN[:, None, None, None], _SIGMAS[None, :, None, None]
    clarity, through = _CLARITIES[None, None, :, None], _THROUGH[None, None, None, :]
    off = (np.clip(seen, 0.0, 1.0) - through) / sigma
    even = np.exp(-0.5 * off**2) / (sigma * np.sqrt(2.0 * np.pi))
    torn = 2.0 * np.where(seen > 0.5, through, 1.0 - through)
    clear = np.where(_IS_EVEN, even, torn)
    # Clouds brighten the rest of the sky: what arrives in the shade may then look like some beam.
    clouded = np.where(_IS_EVEN, ndtr(0.5 - off / _CLOUD_BRIGHT), np.where(seen > 0.5, through, 1.0))
    return np.asarray(np.log(clarity * clear + (1.0 - clarity) * clouded + _ODD))


def _posterior(heard: Values, prior: Values) -> Values:
    """Chance of each transmittance by cell, shape (N, H)."""
    told = heard + prior
    chance = np.exp(told - told.max(axis=1, keepdims=True))
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def _darkness(evidence: _Evidence, beside: Mask) -> Values:
    """Chance that a cell is darker than the open sky, shape (CELLS,); a cell `beside` an obstruction likely is."""
    dark = np.where(beside, _DARK_BESIDE, _DARK)
    prior = np.where(beside[evidence.seen, None], _PRIOR_BESIDE, _PRIOR)
    dark[evidence.seen] = 1.0 - _posterior(evidence.heard, prior) @ _OPEN
    return dark


def _obstructions(leafy: _Evidence, bare: _Evidence, both: _Evidence, before: SkyMap) -> Cells:
    """Number of the obstruction that each cell belongs to, 0 for the open sky, shape (CELLS,)."""
    kept = (before.leafy_frozen & (before.leafy <= _LIT)) | (before.bare_frozen & (before.bare <= _LIT))
    kept_open = _frozen_open(before)
    groups = np.zeros(CELLS, dtype=np.int64)
    for _ in range(2):  # first the dark cells, then the edges beside them
        beside = (groups > 0) | (groups[NEIGHBOURS] > 0).any(axis=0)
        likely, sure = _dark_cells(leafy, bare, both, beside)
        groups = _connected((likely | kept) & ~kept_open, (sure | kept) & ~kept_open)
    return groups


def _frozen_open(before: SkyMap) -> Mask:
    return np.asarray((before.leafy_frozen & (before.leafy > _LIT)) | (before.bare_frozen & (before.bare > _LIT)))


def _dark_cells(leafy: _Evidence, bare: _Evidence, both: _Evidence, beside: Mask) -> tuple[Mask, Mask]:
    """Cells that are likely, and that are surely, darker than the open sky in either season or in both."""
    likely, sure = np.zeros(CELLS, dtype=bool), np.zeros(CELLS, dtype=bool)
    for one in (both, leafy, bare):
        dark = _darkness(one, beside)
        likely |= (dark > (_LIKELY if one is both else _SURE)) & (one.days >= _SEASON_DAYS)
        sure |= (dark > _SURE) & (one.days >= MIN_DAYS)
    return likely, sure


def _connected(likely: Mask, sure: Mask) -> Cells:
    """Connected groups of at least four likely cells, at least half of that number sure; round the north as well."""
    picture, _ = label(np.tile(likely[RASTER], 2), structure=np.ones((3, 3)))
    half = RASTER.shape[1]
    groups = np.maximum(picture[:, :half], picture[:, half:])
    by_cell = np.zeros(CELLS, dtype=np.int64)
    by_cell[RASTER.ravel()] = groups.ravel()
    size = np.bincount(by_cell, minlength=groups.max() + 1)
    proven = np.bincount(by_cell[sure], minlength=size.size)
    keep = (size >= _MIN_CELLS) & (proven >= _MIN_CELLS // 2)
    return np.where(keep[by_cell], by_cell, 0)


def _seasons(groups: Cells, leafy: _Evidence, bare: _Evidence, both: _Evidence) -> tuple[Values, Values]:
    """Transmittance of the obstructions' cells with and without leaves; 1 in the open."""
    told = [_means(evidence, groups > 0) for evidence in (leafy, bare, both)]
    (with_leaves, leafy_spread), (without, bare_spread), (pooled, _) = told
    spread = (leafy_spread, bare_spread)
    out_leafy, out_bare = np.ones(CELLS), np.ones(CELLS)
    for group in np.unique(groups[groups > 0]):
        cells = np.flatnonzero(groups == group)
        out_leafy[cells] = out_bare[cells] = pooled[cells]
        seen = (leafy.days[cells] >= _SEASON_DAYS, bare.days[cells] >= _SEASON_DAYS)
        twice = cells[seen[0] & seen[1]]
        if twice.size < 2:
            continue
        weight = 1.0 / (spread[0][twice] ** 2 + spread[1][twice] ** 2)
        step = float(weight @ (without[twice] - with_leaves[twice]) / weight.sum())
        # Neighbouring cells were seen on the same days: their number counts by its root.
        if step < _LEAST_SEASON_STEP or step * np.sqrt(weight.mean() * np.sqrt(twice.size)) < _SEASON_SIGMAS:
            continue
        kept = float(weight @ (1.0 - without[twice]) / (weight @ (1.0 - with_leaves[twice])))
        out_leafy[cells] = np.where(seen[0], with_leaves[cells], 1.0 - np.minimum((1.0 - without[cells]) / kept, 1.0))
        out_bare[cells] = np.where(seen[1], without[cells], 1.0 - (1.0 - with_leaves[cells]) * kept)
    return out_leafy, out_bare


def _means(evidence: _Evidence, where: Mask) -> tuple[Values, Values]:
    """Mean transmittance of some cells and its doubt, shapes (CELLS,); without looks the middle of all that may be."""
    mean, square = np.full(CELLS, _THROUGH.mean()), np.full(CELLS, (_THROUGH**2).mean())
    at = np.flatnonzero(where[evidence.seen])
    chance = _posterior(evidence.heard[at], _FLAT)
    mean[evidence.seen[at]], square[evidence.seen[at]] = chance @ _THROUGH, chance @ _THROUGH**2
    return mean, np.sqrt(np.maximum(square - mean**2, 4e-4))


def _settled(evidence: _Evidence, through: Values, today: int) -> Mask:
    """Cells whose first season is over and decided: one bright look on a clear day is proof enough of the open sky."""
    dark = _darkness(evidence, np.zeros(CELLS, dtype=bool))
    shade = through <= _LIT
    decided = np.where(shade, dark > _SURE, dark < _FREEZE_OPEN)
    over = (evidence.days >= np.where(shade, MIN_DAYS, 1)) & (evidence.last <= today - FREEZE_AFTER_DAYS)
    return np.asarray(decided & (over | (evidence.days >= FREEZE_AT_ONCE_DAYS)))


def _down_to_the_horizon(built: SkyMap) -> SkyMap:
    """Cells below an obstruction of which nothing is known count as part of it."""
    leafy, bare = built.leafy.copy(), built.bare.copy()
    unseen = built.leafy_days + built.bare_days < _SEASON_DAYS
    shaded = built.shaded_cells()
    for row in range(ROWS - 2, -1, -1):
        above, here = RASTER[row + 1], RASTER[row]
        take = shaded[above] & unseen[here] & ~shaded[here]
        leafy[here[take]], bare[here[take]] = leafy[above[take]], bare[above[take]]
        shaded[here[take]] = True
    return SkyMap(built.latitude, leafy, bare, built.leafy_days, built.bare_days, built.leafy_frozen, built.bare_frozen)
