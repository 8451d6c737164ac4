"""Longitude and latitude by first and last power: against sunrise and sunset of other places."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from ingest.readings import Seconds, Values
from monitor.model.place import minutes_per_degree_north, place_by_sun

FIRST = date(2026, 3, 1).toordinal()


def half_day_min(days: Seconds, latitude: float) -> Values:
    """Half of the time between sunrise and sunset [minutes], by the sun's declination (Cooper 1969)."""
    number = days - date(2026, 1, 1).toordinal() + 1
    declination = np.radians(23.45 * np.sin(2.0 * np.pi * (284 + number) / 365.0))
    return np.degrees(np.arccos(-np.tan(np.radians(latitude)) * np.tan(declination))) * 4.0


def ends(days: Seconds, *, truly: float, on_paper: float, late_min: float = 0.0) -> tuple[Values, Values]:
    """First and last power against the place on paper [s], with the scatter of clouds."""
    rng = np.random.default_rng(8)
    longer = half_day_min(days, truly) - half_day_min(days, on_paper)
    noise = rng.normal(0.0, 6.0, (2, days.size))
    return 60.0 * (late_min - longer + noise[0]), 60.0 * (late_min + longer + noise[1])


@pytest.mark.parametrize("latitude", [-34.0, 42.0, 52.0, 58.0])
def test_the_yardstick_is_how_sunset_moves_with_latitude(latitude: float) -> None:
    days = np.arange(FIRST, FIRST + 365, 10)
    moved = (half_day_min(days, latitude + 0.5) - half_day_min(days, latitude - 0.5)) / 1.0
    np.testing.assert_allclose(minutes_per_degree_north(days, latitude), moved, atol=0.35)


@pytest.mark.parametrize("off", [-5.0, 0.0, 5.0])
def test_a_latitude_that_is_off_is_told_by_a_half_year(off: float) -> None:
    days = np.arange(FIRST, FIRST + 180)
    found = place_by_sun(days, *ends(days, truly=52.0, on_paper=52.0 - off), latitude=52.0 - off)
    assert found is not None
    assert found.north_deg == pytest.approx(off, abs=1.5)
    assert found.late_min == pytest.approx(0.0, abs=1.5)


def test_a_longitude_that_is_off_moves_the_middle_and_no_length() -> None:
    days = np.arange(FIRST, FIRST + 180)
    found = place_by_sun(days, *ends(days, truly=52.0, on_paper=52.0, late_min=20.0), latitude=52.0)
    assert found is not None
    assert found.late_min == pytest.approx(20.0, abs=1.0)
    assert found.north_deg == pytest.approx(0.0, abs=0.8)


def test_a_few_weeks_and_a_season_that_stands_still_tell_no_latitude() -> None:
    assert place_by_sun(np.arange(FIRST, FIRST + 30), np.zeros(30), np.zeros(30), latitude=52.0) is None
    days = np.arange(date(2026, 5, 27).toordinal(), date(2026, 7, 16).toordinal())
    found = place_by_sun(days, *ends(days, truly=52.0, on_paper=52.0), latitude=52.0)
    assert found is not None
    assert found.north_deg is None
