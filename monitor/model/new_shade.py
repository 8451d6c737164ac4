"""Where looks of late are dark in a part of the sky that was open: the likeliest box before the sky, and since when."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.ndimage import label

from ingest.readings import Mask, Values
from monitor.model.dark_stretches import Stretches, along, stretches
from monitor.model.looks import LooksInARow
from monitor.model.skycells import CELL_AZIMUTH, CELL_ROW, RASTER, ROW_DEG, Cells, with_beside
from monitor.model.skymap import SkyMap

_COLUMN_DEG = 5.0
_NARROWEST, _WIDEST = 2, 20  # columns
_HIGHEST_ROW = 18  # 45 degrees: what stands higher before a roof hangs over it
# A column is worth a closer look when so many days with some sun were dark there since its last bright look.
_DARK, _BRIGHT, _LEAST_DAYS = 0.6, 0.75, 3
# A look in the sun so near (looks) to a stretch proves that the sky was not closed; a day proves at most so much.
_NEAR, _MOST_A_DAY = 3, 4.0
# Of boxes that are as likely the smaller one.
_PER_COLUMN = 0.05
_TELLING_DAY = 1.0
_MANY_DAYS = 1_000_000
_OPEN = 0.85


@dataclass(frozen=True, slots=True)
class NewShade:
    """A box before the sky, from an azimuth to another one clockwise, up to `top_deg`, dark since `first_day`.

    `strength` is the log likelihood ratio of shade against clouds, `days` those that tell of it plainly; days are
    counted since 1970.
    """

    azimuth_from_deg: float
    azimuth_to_deg: float
    top_deg: float
    first_day: int
    strength: float
    days: Cells

    def holds(self, cells: Cells) -> Mask:
        """Which of some cells lie in the box."""
        width = (self.azimuth_to_deg - self.azimuth_from_deg) % 360.0
        beside = (CELL_AZIMUTH[cells] - self.azimuth_from_deg) % 360.0 < width
        return np.asarray(beside & ((CELL_ROW[cells] + 1) * ROW_DEG <= self.top_deg + 1e-6))


@dataclass(frozen=True, slots=True)
class KnownSky:
    """What a map surely knows of each cell, shape (CELLS,): open with leaves on the trees, open without, or neither.

    `doubtful` are obstructions, cells of which some days have not decided yet, and what touches these: it may hold the
    edge of a thing, which the sun passes above in one week and below in another.
    """

    leafy: Mask
    bare: Mask
    doubtful: Mask


def known_sky(sky_map: SkyMap) -> KnownSky:
    """What a map surely knows.

    Without leaves there is at most more light than with them, so a cell seen open with leaves counts for both. What
    stands on the ground and leaves cells open in three columns leaves those above the middle one open, too.
    """
    dark = np.minimum(sky_map.leafy, sky_map.bare) <= _OPEN
    undecided = (sky_map.leafy_days + sky_map.bare_days > 0) & ~(sky_map.leafy_frozen | sky_map.bare_frozen)
    doubtful = with_beside(dark | undecided)
    leafy = _and_above(sky_map.leafy_frozen & (sky_map.leafy > _OPEN)) & ~doubtful
    bare = _and_above(sky_map.bare_frozen & (sky_map.bare > _OPEN)) & ~doubtful
    return KnownSky(leafy, leafy | bare, doubtful)


def _and_above(seen: Mask) -> Mask:
    """Cells and those that stand above them in all of their columns and the ones beside."""
    above = np.maximum.accumulate(seen[RASTER], axis=0)
    above &= np.roll(above, 1, axis=1) & np.roll(above, -1, axis=1)
    missed = np.zeros(seen.shape, dtype=bool)
    missed[RASTER[~above]] = True
    return np.asarray(seen | ~missed)


def find_new_shade(looks: LooksInARow, known_open: Mask, latitude: float) -> NewShade | None:
    """Find what stands before the sky of late; None where no part of it is dark day after day.

    Parameters
    ----------
    looks : LooksInARow
        Levelled looks of the last weeks, oldest first, so that 1 is the open sky.
    known_open : array of shape (N,)
        Whether the cell of each look is known to have been open before.
    latitude : float
        North positive [deg].

    Notes
    -----
    Boxes of whole columns and rows are weighed by the sum of what each day's stretch inside says (`dark_stretches`),
    over the days since the likeliest first one: the cumulative sum test of Page (Biometrika 41 (1954) 100). A day
    counts only if the sun was seen close before or after the stretch: weeks of fog say nothing of shade.
    """
    sunny = np.isin(looks.day, np.unique(looks.day[looks.transmittance > _BRIGHT]))
    looks, known_open = _chosen(looks, sunny), known_open[sunny]
    columns = _dark_columns(looks, known_open, latitude)
    if columns is None:
        return None
    sides = ((columns[0] - 2) * _COLUMN_DEG, (columns[1] + 3) * _COLUMN_DEG)
    return _likeliest(stretches(looks, known_open, latitude, between=sides, beside=_NEAR), columns, latitude)


def _chosen(looks: LooksInARow, which: Mask) -> LooksInARow:
    return LooksInARow(*(getattr(looks, f.name)[which] for f in fields(LooksInARow)))


def _dark_columns(looks: LooksInARow, known: Mask, latitude: float) -> tuple[int, int] | None:
    """First and last column that were dark since their last bright look: a cheap test before the dear one."""
    if not looks.day.size:
        return None
    column = (along(CELL_AZIMUTH, latitude)[looks.cell] / _COLUMN_DEG).astype(np.int64)
    row = CELL_ROW[looks.cell]
    lit = np.full((int(360.0 / _COLUMN_DEG), int(row.max()) + 1), -1, dtype=np.int64)
    bright = looks.transmittance > _BRIGHT
    np.maximum.at(lit, (column[bright], row[bright]), looks.day[bright])
    lit = np.maximum.accumulate(lit, axis=1)  # a box that holds a look holds what lies below it
    dark = known & (looks.transmittance < _DARK) & (looks.day > lit[column, row]) & (row < _HIGHEST_ROW)
    dark_days = _days_by_column(column[dark], looks.day[dark], lit.shape[0])
    beside = dark & _near(bright, looks.day)
    told = np.flatnonzero(_days_by_column(column[beside], looks.day[beside], lit.shape[0]) >= _LEAST_DAYS)
    runs, _ = label(dark_days >= _LEAST_DAYS)
    found = np.flatnonzero(np.isin(runs, runs[told]))
    return (int(found[0]), int(found[-1])) if told.size else None


def _days_by_column(column: Cells, day: Cells, columns: int) -> Cells:
    """On how many days a column was met."""
    return np.bincount(np.unique(column * _MANY_DAYS + day) // _MANY_DAYS, minlength=columns)


def _near(bright: Mask, day: Cells) -> Mask:
    """Looks with a bright one of the same day close before or after."""
    near = np.zeros(bright.shape, dtype=bool)
    for step in range(1, _NEAR + 1):
        same = day[step:] == day[:-step]
        near[step:] |= same & bright[:-step]
        near[:-step] |= same & bright[step:]
    return near


@dataclass(frozen=True, slots=True)
class _Box:
    """Columns (the last one left out) up to a row, how strong, and what each day says of it."""

    first: int
    last: int
    row: int
    strength: float
    gain: Values


def _likeliest(told: Stretches, columns: tuple[int, int], latitude: float) -> NewShade | None:
    """The box of the greatest strength: a few heights with all columns, then all heights and again all columns."""
    edges = np.arange(columns[0] - 2, columns[1] + 4)
    first, last = np.triu_indices(edges.size, 1)
    wide = (last - first >= _NARROWEST) & (last - first <= _WIDEST)
    first, last = edges[first[wide]], edges[last[wide]]
    low, high = (min(int(row), _HIGHEST_ROW - 1) for row in (told.row[told.used].min(), told.row[told.used].max()))
    tried = [_best_box(told, first, last, row) for row in sorted({low + (high - low) * n // 4 for n in (1, 2, 3, 4)})]
    best = max(tried, key=lambda box: box.strength)
    for _ in range(2):
        columns_of = (np.array([best.first]), np.array([best.last]))
        best = max((_best_box(told, *columns_of, row) for row in range(low, high + 1)), key=lambda box: box.strength)
        best = max(best, _best_box(told, first, last, best.row), key=lambda box: box.strength)
    since = int(np.cumsum(best.gain[::-1])[::-1].argmax())
    ends = along(np.array([best.first, best.last]) * _COLUMN_DEG, latitude) % 360.0
    left, right = ends if latitude >= 0.0 else ends[::-1]
    return NewShade(
        float(left), float(right), (best.row + 1) * ROW_DEG,
        int(told.day[since]), best.strength, told.day[since:][best.gain[since:] > _TELLING_DAY],
    )  # fmt: skip


def _best_box(told: Stretches, first: Cells, last: Cells, row: int) -> _Box:
    """The strongest of some boxes up to a row."""
    edges = np.unique(np.concatenate([first, last]))
    place = (told.azimuth_deg[:, :, None] < edges * _COLUMN_DEG).sum(axis=1)
    begin, end = place[:, np.searchsorted(edges, first)], place[:, np.searchsorted(edges, last)]
    gain = _gains_below(told, begin, end, row)
    strength = np.cumsum(gain[::-1], axis=0).max(axis=0) - _PER_COLUMN * (last - first) - _PER_COLUMN * row
    box = int(strength.argmax())
    return _Box(int(first[box]), int(last[box]), row, float(strength[box]), gain[:, box])


def _gains_below(told: Stretches, begin: Cells, end: Cells, row: int) -> Values:
    """What each day says of boxes (D, B) up to a row, given the first look in each one's columns and the one after."""
    count = told.used.sum(axis=1)
    above = told.used & (told.row > row)
    over = above.any(axis=1)
    rises = np.where(over, above.argmax(axis=1), count)[:, None]
    sets = np.where(over, told.used.shape[1] - above[:, ::-1].argmax(axis=1), count)[:, None]
    morning = _gain_of(told, begin, np.minimum(end, rises))
    evening = _gain_of(told, np.maximum(begin, sets), end)
    return np.asarray(np.minimum(morning + evening, _MOST_A_DAY))


def _gain_of(told: Stretches, begin: Cells, end: Cells) -> Values:
    """What stretches say, from one look to before another one; little without a look in the sun close by."""
    there = end > begin
    day = np.arange(told.day.size)[:, None]
    most = told.used.shape[1]
    begin, end = np.where(there, begin, 0), np.where(there, end, 1)
    gain = np.where(there, told.gain[day, begin, end - 1], 0.0)
    seen = np.concatenate([np.zeros((told.day.size, 1)), np.cumsum(told.bright, axis=1)], axis=1)
    before = seen[day, begin] - seen[day, np.maximum(begin - _NEAR, 0)]
    after = seen[day, np.minimum(end + _NEAR, most)] - seen[day, end]
    return np.asarray(np.where(before + after > 0.0, gain, np.minimum(gain, 0.0)))
