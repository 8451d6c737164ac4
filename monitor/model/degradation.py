"""How a unit's level changes from year to year, by what it made in cloudless hours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Values
from monitor.model.numbers import Ordinals

# Below three years the interval is wider than anything that modules do.
LEAST_YEARS = 3
_YEAR, _WINDOW = 365, 3
_YEAR_DAYS = 365.25
_LEAST_PAIRS, _LEAST_PAIRS_OF_A_YEAR = 80, 20
_BLOCK, _DRAWS, _SEED = 30, 1000, 1


@dataclass(frozen=True, slots=True)
class YearlyChange:
    """Change of a level in a year (negative: less), with its 95 % interval, as shares; from so many pairs of days."""

    per_year: float
    low: float
    high: float
    pairs: int
    years: float


def year_on_year(days: Ordinals, levels: Values) -> YearlyChange | None:
    """Median change from a year before, with a block bootstrap interval; None before three years.

    Parameters
    ----------
    days : array of shape (N,)
        Day ordinals, increasing, of healthy days of one epoch.
    levels : array of shape (N,)
        Natural logarithm of measured over cloudless power.

    Returns
    -------
    YearlyChange or None
        None where less than three years are known, or too few days have others within three days of a year before.

    Notes
    -----
    Each day is set beside the days a year before, three days about, so that seasons fall out; the median leaves
    outliers alone (Jordan, Deline, Kurtz, Kimball and Anderson, IEEE Journal of Photovoltaics 8 (2018) 525, from
    memory). Neighbouring days share their error: the interval is that of medians over blocks of thirty days drawn with
    replacement (Kuensch, Annals of Statistics 17 (1989) 1217, from memory). What a whole year shares, a hazy summer for
    one, is not in it.
    """
    if days.size < 2 or days[-1] - days[0] < LEAST_YEARS * _YEAR - 2 * _WINDOW:
        return None
    first = np.searchsorted(days, days - _YEAR - _WINDOW)
    last = np.searchsorted(days, days - _YEAR + _WINDOW, side="right")
    paired = last > first
    sums, sum_days = (np.concatenate([[0.0], np.cumsum(x)]) for x in (levels, days.astype(np.float64)))
    first, last, at = first[paired], last[paired], days[paired]
    count = last - first
    before, day_before = (s[last] - s[first] for s in (sums, sum_days))
    slopes = (levels[paired] - before / count) / ((at - day_before / count) / _YEAR_DAYS)
    by_year = np.bincount((at - days[0]) // _YEAR, minlength=LEAST_YEARS)[1:LEAST_YEARS]
    if slopes.size < _LEAST_PAIRS or by_year.min() < _LEAST_PAIRS_OF_A_YEAR:
        return None
    low, high = _interval(at, slopes)
    rate = float(np.median(slopes))
    years = float(days[-1] - days[0] + 1) / _YEAR_DAYS
    shares = np.expm1([rate, low, high])
    return YearlyChange(float(shares[0]), float(shares[1]), float(shares[2]), int(slopes.size), years)


def _interval(days: Ordinals, slopes: Values) -> tuple[float, float]:
    """95 % of the medians over blocks drawn with replacement; always the same ones."""
    chance = np.random.default_rng(_SEED)
    number = (days - days[0]) // _BLOCK
    blocks = [slopes[number == n] for n in np.unique(number)]
    drawn = chance.integers(len(blocks), size=(_DRAWS, len(blocks)))
    medians = [float(np.median(np.concatenate([blocks[n] for n in row]))) for row in drawn]
    low, high = np.quantile(medians, [0.025, 0.975])
    return float(low), float(high)
