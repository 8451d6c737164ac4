"""A typical year: its shares make one, in leap years too, and its sky leans on the site's own days."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from monitor.config.models import Site
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELLS
from monitor.model.skymap import SkyMap
from monitor.model.typical_year import (
    PLACES_INDEX,
    PLACES_SIGMA,
    TypicalYear,
    UsualSky,
    share_sigma,
    typical_year,
    usual_sky,
)


def days_of(first: date, last: date) -> list[date]:
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]


@pytest.fixture(scope="module")
def year(site: Site) -> TypicalYear:
    return typical_year(site, UsualSky(0.6, 0.03), gains={}, maps={})


@pytest.mark.parametrize("number", [2023, 2024, 2025])
def test_the_shares_of_every_calendar_year_make_one(year: TypicalYear, number: int) -> None:
    total = sum(year.share(day) for day in days_of(date(number, 1, 1), date(number, 12, 31)))
    assert total == pytest.approx(1.0)


@pytest.mark.parametrize("month", [2, 3, 10])
def test_a_month_has_the_same_share_in_every_year_whatever_the_clock_does(year: TypicalYear, month: int) -> None:
    shares = [
        sum(year.share(d) for d in days_of(date(n, month, 1), date(n, month + 1, 1) - timedelta(days=1)))
        for n in (2023, 2024)
    ]
    assert shares[0] == pytest.approx(shares[1])
    assert shares[0] == pytest.approx(year.months()[month - 1] / year.months().sum())


def test_a_british_south_roof_makes_most_of_it_in_summer(year: TypicalYear) -> None:
    months = year.months() / year.months().sum()
    assert 0.60 < months[3:9].sum() < 0.80
    assert months.argmin() == 11
    # 8 kWp at about 950 kWh a kWp in the English Midlands (common practice).
    assert 6_400 < year.on_paper.sum() < 9_000


def test_a_whole_year_is_certain_and_a_month_is_not(year: TypicalYear) -> None:
    assert share_sigma(year, days_of(date(2025, 1, 1), date(2025, 12, 31))) == pytest.approx(0.0, abs=1e-6)
    assert share_sigma(year, days_of(date(2024, 3, 1), date(2025, 2, 28))) == pytest.approx(0.0, abs=1e-3)
    june = days_of(date(2025, 6, 1), date(2025, 6, 30))
    share = sum(year.share(day) for day in june)
    assert 0.08 < share_sigma(year, june) / share < 0.10


def test_what_stands_before_the_roof_costs_most_under_a_clear_sky(site: Site) -> None:
    low_south = (np.abs(CELL_AZIMUTH - 180.0) < 40.0) & (CELL_ELEVATION < 25.0)
    through = np.where(low_south, 0.1, 1.0)
    none, never = np.zeros(CELLS, np.int64), np.zeros(CELLS, bool)
    sky_map = SkyMap(52.1, through, through, none, none, never, never)
    shaded = typical_year(
        site, UsualSky(0.6, 0.03), gains={}, maps={"string:s1": sky_map, "string:s2": sky_map}
    )  # fmt: skip
    winter, summer = date(2025, 12, 20), date(2025, 6, 20)
    assert shaded.opened(winter, 1.0) > shaded.opened(winter, 0.3) > 1.0
    assert shaded.opened(winter, 1.0) > shaded.opened(summer, 1.0) >= 1.0
    assert shaded.usual_kwh(winter) < shaded.on_paper[353]


def test_the_usual_sky_leans_on_other_places_while_days_are_few() -> None:
    assert usual_sky({}, {}) == UsualSky(PLACES_INDEX, PLACES_SIGMA)
    days = days_of(date(2025, 1, 1), date(2025, 12, 31))
    few, many = (dict.fromkeys(part, 0.45) for part in (days[:20], days))
    short, long = (usual_sky(part, dict.fromkeys(part, 1.0)) for part in (few, many))
    assert 0.45 < long.index < short.index < PLACES_INDEX
    assert long.sigma < short.sigma < PLACES_SIGMA
    # One month against places: 0.07² / (0.07² + 0.10²) of the way, by hand.
    assert short.index == pytest.approx(0.60 - 0.15 * 0.0049 / 0.0149)
