"""A weather series is moved and levelled only when its clear days have said so, and no more than they say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from monitor.config.models import Site
from monitor.model.grid import grid
from monitor.model.ladder import weather_rung
from monitor.model.numbers import Nights
from monitor.model.physics import Physics, site_physics
from monitor.model.weather_series import Series
from monitor.model.weather_trust import (
    WeatherTrust,
    levelled,
    weather_features,
    weather_standing,
    weather_trust,
)
from tests.unit.monitor.conftest import made_site

JUNE = 1_782_000_000 // 86400 * 86400


@pytest.fixture(scope="module")
def physics() -> Physics:
    return site_physics(made_site(), grid(JUNE, JUNE + 86400))


def lived(levels: Sequence[float | None], *, settled_after: int) -> Nights:
    """Nights of a series with such a level under high sun, as they follow on each other."""
    nights: list[dict[str, float | None]] = []
    for n, level in enumerate(levels):
        day: dict[str, float | None] = {} if level is None else {"weather_high": level}
        nights.append({**day, **weather_standing(Nights.of(nights), settled=n > settled_after)})
        del nights[:-120]
    return Nights.of(nights)


def test_times_that_are_late_on_most_clear_days_are_moved_and_told() -> None:
    trust = weather_trust(Nights.of([{"weather_late_s": s} for s in (1750.0, 1900.0, 1820.0, 1600.0, 1830.0, 1790.0)]))
    assert trust.late_s == 1800
    assert trust.remark == "the weather's times look 30 minutes late: check marks and zone"
    assert weather_trust(Nights.of([{"weather_late_s": -3600.0}] * 6)).late_s == -3600


def test_times_that_jump_about_are_told_and_left_alone() -> None:
    trust = weather_trust(Nights.of([{"weather_late_s": s} for s in (0.0, 3600.0, 0.0, 3600.0, 3500.0, 100.0, 3600.0)]))
    assert trust.late_s == 0
    assert "not on all clear days" in trust.remark


@pytest.mark.parametrize("seen", [[1800.0] * 4, [300.0] * 12])
def test_few_days_or_a_few_minutes_move_nothing(seen: list[float]) -> None:
    assert weather_trust(Nights.of([{"weather_late_s": s} for s in seen])) == WeatherTrust()


def test_after_a_change_of_the_clock_the_last_clear_days_decide() -> None:
    assert weather_trust(Nights.of([{"weather_late_s": s} for s in [0.0] * 40 + [3600.0] * 12])).late_s == 3600


def test_a_series_that_reads_higher_than_while_learning_is_brought_down_in_steps() -> None:
    few = weather_trust(lived([0.9] * 20 + [1.08] * 6, settled_after=12)).level[2]
    many = weather_trust(lived([0.9] * 20 + [1.08] * 40, settled_after=12)).level[2]
    assert 1.0 <= few < many < 1.2
    assert many == pytest.approx(1.2 / 1.05, rel=0.06)  # all but what the clear-sky model itself moves by


def test_what_it_read_while_learning_is_the_gains_business() -> None:
    assert weather_trust(lived([0.8] * 60, settled_after=30)).level == (1.0, 1.0, 1.0)
    assert weather_trust(lived([0.8] * 20 + [1.1] * 40, settled_after=99)).level == (1.0, 1.0, 1.0)


def test_a_winter_without_clear_days_does_not_forget() -> None:
    before = weather_trust(lived([0.9] * 20 + [1.08] * 40, settled_after=12)).level[2]
    after = weather_trust(lived([0.9] * 20 + [1.08] * 40 + [None] * 150, settled_after=12)).level[2]
    assert 1.0 < after <= before


def test_only_what_is_clear_counts_by_height_of_the_sun(physics: Physics) -> None:
    elevation = physics.sun.elevation_deg
    index = np.where(elevation > 40.0, 0.9, 1.1)
    clear = (elevation > 30.0) & (np.arange(96) < 60)
    assert weather_features(index, clear, elevation) == {"weather_mid": 1.1, "weather_high": 0.9}
    assert weather_features(index, np.zeros(96, dtype=bool), elevation) == {}
    assert weather_features(np.full(96, np.nan), clear, elevation) == {}


def test_levelling_is_whole_under_a_clear_sky_and_part_under_a_dull_one(site: Site, physics: Physics) -> None:
    begins, ghi = physics.starts, physics.clear.ghi
    trust = WeatherTrust(level=(1.2, 1.2, 1.2))
    ratios = []
    for sky in (1.2, 0.12):
        rung = weather_rung(site, physics, {"irradiance_ghi": [Series(begins, begins + 900, sky * ghi)]}, ["string:s1"])
        assert rung is not None
        moved = levelled(rung, physics, trust)
        assert levelled(rung, physics, WeatherTrust()) is rung
        ratios.append(np.nansum(moved.index * ghi) / np.nansum(rung.index * ghi))
        assert np.nansum(moved.power_w["string:s1"]) < np.nansum(rung.power_w["string:s1"])
    assert ratios[0] == pytest.approx(1.0 / 1.2)
    assert 0.95 < ratios[1] < 1.0
