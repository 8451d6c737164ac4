"""Made-up looks of many days: the sun's way over the sky, weather by day, and things before it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ingest.readings import Mask
from monitor.model.looks import LooksInARow
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, Cells, cell_of
from monitor.model.skymap import sun_paths

FIRST_DAY = 20_514  # 1 March 2026, in days since 1970
LATITUDE = 52.0

Weather = Callable[[int, np.random.Generator], np.ndarray]  # of so many looks, what of the beam comes through


def clear(count: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(1.0 + 0.03 * rng.standard_normal(count))


def closed(count: int, rng: np.random.Generator) -> np.ndarray:
    return np.asarray(0.1 + 0.05 * rng.standard_normal(count))


def broken(count: int, rng: np.random.Generator) -> np.ndarray:
    """Sun and clouds by turns of about an hour."""
    lit = np.repeat(rng.random(count // 4 + 1) < 0.5, 4)[:count]
    return np.where(lit, clear(count, rng), rng.uniform(0.05, 0.6, count))


def mixed(days: int, seed: int = 1) -> list[Weather]:
    """A fickle spring: every third day or so is clear, every third closed."""
    rng = np.random.default_rng(seed)
    return [(clear, closed, broken)[int(n)] for n in rng.integers(0, 3, days)]


def house(azimuth_from: float, azimuth_to: float, top: float) -> Mask:
    """Cells behind a house."""
    return (azimuth_from < CELL_AZIMUTH) & (azimuth_to > CELL_AZIMUTH) & (top > CELL_ELEVATION)


def looks_of(
    weather: Sequence[Weather],
    *,
    built: Mask | None = None,
    since: int = 0,
    through: float = 0.08,
    latitude: float = LATITUDE,
    without: Callable[[Cells, np.ndarray], Mask] | None = None,
    first_day: int = FIRST_DAY,
) -> LooksInARow:
    """Looks of days in a row, with what was built on the day of that number; `without` names looks that are missing."""
    rng, rows = np.random.default_rng(7), []
    for n, kind in enumerate(weather):
        azimuth, elevation = sun_paths(latitude, np.array([(first_day + n) % 365.2425 + 1.0]))
        cells = cell_of(azimuth[0], elevation[0])[elevation[0] > 6.0][::4]
        cells = cells[np.concatenate([[True], cells[1:] != cells[:-1]])]
        seen = np.clip(kind(cells.size, rng), -0.1, 1.2)
        if built is not None and n >= since:
            seen = np.where(built[cells], through * seen, seen)
        kept = np.ones(cells.size, dtype=bool) if without is None else ~without(cells, seen)
        rows.append((np.full(int(kept.sum()), first_day + n), cells[kept], seen[kept]))
    day, cell, seen = (np.concatenate(part) for part in zip(*rows, strict=True))
    one = np.ones(day.size)
    return LooksInARow(day, cell, seen, 0.08 * one, 0.5 * one, 0.8 * one, 0.85 * one)
