"""The yearly change of a level: what is put in comes out, and nothing is said before three years."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.readings import Values
from monitor.model.degradation import year_on_year
from monitor.model.numbers import Ordinals


def aged(rate: float, years: float, *, seed: int, noise: float = 0.05, clear: float = 0.4) -> tuple[Ordinals, Values]:
    """Clear days of a unit that changes by `rate` a year, with seasons and haze that lasts for weeks."""
    chance = np.random.default_rng(seed)
    days = np.arange(738_000, 738_000 + int(years * 365.25))
    haze = np.zeros(days.size)
    for n in range(1, days.size):
        haze[n] = 0.8 * haze[n - 1] + 0.6 * noise * chance.standard_normal()
    level = np.log1p(rate) * (days - days[0]) / 365.25 + 0.05 * np.sin(2 * np.pi * days / 365.25) + haze
    seen = chance.random(days.size) < clear
    return days[seen], level[seen]


@pytest.mark.parametrize("rate", [-0.03, -0.0075, 0.0])
def test_the_rate_lies_in_its_interval_which_narrows_with_the_years(rate: float) -> None:
    widths = []
    for years in (3.2, 6.0):
        found = [year_on_year(*aged(rate, years, seed=seed)) for seed in range(16)]
        inside = [f.low <= rate <= f.high for f in found if f is not None]
        assert len(inside) == 16
        assert np.mean(inside) >= 0.8
        widths.append(np.median([f.high - f.low for f in found if f is not None]))
    assert widths[1] < 0.7 * widths[0]


def test_seasons_and_outliers_make_no_ageing() -> None:
    days, levels = aged(0.0, 4.0, seed=3, noise=0.0)
    assert year_on_year(days, levels).per_year == pytest.approx(0.0, abs=2e-3)  # type: ignore[union-attr]
    levels[::40] -= 2.0
    assert year_on_year(days, levels).per_year == pytest.approx(0.0, abs=2e-3)  # type: ignore[union-attr]


@pytest.mark.parametrize("years", [0.5, 1.5, 2.9])
def test_nothing_is_said_before_three_years(years: float) -> None:
    assert year_on_year(*aged(-0.01, years, seed=0)) is None


def test_two_lone_days_three_years_apart_are_no_three_years() -> None:
    days, levels = aged(-0.01, 1.5, seed=0)
    assert year_on_year(np.r_[days, days[-1] + 800], np.r_[levels, levels[-1]]) is None


def test_the_same_days_give_the_same_interval() -> None:
    assert year_on_year(*aged(-0.01, 4.0, seed=5)) == year_on_year(*aged(-0.01, 4.0, seed=5))
