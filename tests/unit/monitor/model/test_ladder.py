"""The ladder: what one bad neighbour can do, and where each rung's energy comes from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.models import Site
from monitor.model.calibration import Z80, Outcomes, widening
from monitor.model.combining import Terms, combine
from monitor.model.grid import grid
from monitor.model.ladder import (
    Rung,
    Witness,
    carry,
    clear_sky_rung,
    neighbour_rung,
    own_index,
    roof_rungs,
    sensor_rung,
    weather_rung,
    weighted_median,
)
from monitor.model.physics import CLEAR_NODE, Physics, at_index, site_physics
from monitor.model.weather_series import Series
from tests.unit.monitor.conftest import made_site

JUNE = 1_782_000_000 // 86400 * 86400
GAINS = {"clear_sky": 1.0, "neighbours": 1.0, "sensor": 1.0, "weather": 1.0}


@pytest.fixture(scope="module")
def physics() -> Physics:
    return site_physics(made_site(), grid(JUNE, JUNE + 86400))


@given(st.floats(-10.0, 10.0), st.lists(st.floats(0.4, 0.6), min_size=3, max_size=9))
def test_one_bad_member_cannot_move_the_median(bad: float, good: list[float]) -> None:
    values = np.array([[bad], *([g] for g in good)])
    assert 0.4 <= weighted_median(values, np.ones(len(values)))[0] <= 0.6


def test_weighted_median_leaves_gaps_out_and_weighs() -> None:
    values = np.array([[1.0, np.nan], [2.0, np.nan], [9.0, np.nan]])
    assert weighted_median(values, np.array([1.0, 1.0, 1.0]))[0] == 2.0
    assert weighted_median(values, np.array([1.0, 1.0, 5.0]))[0] == 9.0
    assert np.isnan(weighted_median(values, np.ones(3))[1])


def test_carry_fills_near_gaps_only() -> None:
    filled = carry(np.array([np.nan, 1.0, np.nan, np.nan, np.nan, 3.0]), most=1)
    assert filled[[0, 1, 2, 4, 5]] == pytest.approx([1.0, 1.0, 1.0, 3.0, 3.0])
    assert np.isnan(filled[3])


def test_a_units_own_power_tells_the_sky(physics: Physics) -> None:
    power = at_index(physics.power_w["string:s1"], np.full(96, 0.45)) * 0.9
    index = own_index(physics, "string:s1", power, gain=0.9, rated_w=4000.0)
    assert np.nanmin(index) == pytest.approx(0.45)
    assert np.nanmax(index) == pytest.approx(0.45)
    assert np.count_nonzero(~np.isnan(index)) > 30


def test_a_dead_string_is_not_a_dark_sky(physics: Physics) -> None:
    assert np.isnan(own_index(physics, "string:s1", np.zeros(96), gain=1.0, rated_w=4000.0)).all()


def test_neighbours_of_another_orientation_tell_the_same_sky() -> None:
    east = made_site(plane=[{"id": "south", "tilt_deg": 30, "azimuth_deg": 95}])
    theirs = site_physics(east, grid(JUNE, JUNE + 86400))
    sky = np.full(96, 0.5)
    index = own_index(theirs, "string:s1", at_index(theirs.power_w["string:s1"], sky), gain=1.0, rated_w=4000.0)
    ours = site_physics(made_site(), grid(JUNE, JUNE + 86400))
    rung = neighbour_rung(ours, [Witness("east", index, 0.05)], ["string:s1"])
    assert rung is not None
    told = ~np.isnan(index)
    assert rung.power_w["string:s1"][told] == pytest.approx(at_index(ours.power_w["string:s1"], sky)[told])


def test_no_witness_no_rung(physics: Physics) -> None:
    assert neighbour_rung(physics, [Witness("mute", np.full(96, np.nan), 0.05)], ["string:s1"]) is None


def test_a_plane_sensor_gives_the_clear_day_back(site: Site, physics: Physics) -> None:
    seen = physics.plane_w_m2["south"][CLEAR_NODE]
    series = Series(physics.starts, physics.starts + 900, seen)
    rung = sensor_rung(site, physics, {"irradiance_poa": [series]}, ["string:s1"])
    assert rung is not None
    total = np.nansum(rung.power_w["string:s1"])
    assert total == pytest.approx(physics.clear_w("string:s1").sum(), rel=0.01)


def test_weather_with_and_without_components_agrees_on_a_clear_day(site: Site, physics: Physics) -> None:
    clear = physics.clear
    ghi, dni = (Series(physics.starts, physics.starts + 900, part) for part in (clear.ghi, clear.dni))
    plain = weather_rung(site, physics, {"irradiance_ghi": [ghi]}, ["string:s1"])
    parts = weather_rung(site, physics, {"irradiance_ghi": [ghi], "irradiance_dni": [dni]}, ["string:s1"])
    assert plain is not None
    assert parts is not None
    expected = physics.clear_w("string:s1").sum()
    assert np.nansum(plain.power_w["string:s1"]) == pytest.approx(expected, rel=0.01)
    assert np.nansum(parts.power_w["string:s1"]) == pytest.approx(expected, rel=0.01)


def test_impossible_irradiance_is_no_sun(site: Site, physics: Physics) -> None:
    series = Series(physics.starts, physics.starts + 900, np.full(96, 5000.0))
    rung = sensor_rung(site, physics, {"irradiance_poa": [series]}, ["string:s1"])
    assert rung is not None
    assert np.isnan(rung.power_w["string:s1"]).all()


def test_rungs_are_weighed_by_how_sure_they_are(physics: Physics) -> None:
    flat = np.full(96, np.nan)
    sure = Rung("sensor", {"string:s1": np.full(96, 1000.0)}, flat, 0.05)
    rough = Rung("weather", {"string:s1": np.full(96, 2000.0)}, flat, 0.15)
    rungs = [sure, rough, clear_sky_rung(physics, 0.6, ["string:s1"])]
    found = combine(physics, {"string:s1": rungs}, {"string:s1": Terms(GAINS, 0.03, 5000.0)})["string:s1"].expected
    weights = np.array([1.0 / (0.05**2 + 0.02**2), 1.0 / (0.15**2 + 0.25**2)])  # the day's and the interval's scatter
    assert found.power_w == pytest.approx(weights @ [1000.0, 2000.0] / weights.sum())
    assert found.source == "sensor"
    assert np.all((found.low_w < found.power_w) & (found.power_w < found.high_w))


def test_without_any_sky_the_range_is_wide_and_says_so(physics: Physics) -> None:
    rungs = [clear_sky_rung(physics, 0.6, ["string:s1"])]
    combined = combine(physics, {"string:s1": rungs}, {"string:s1": Terms(GAINS, 0.12, 5000.0)})["string:s1"]
    found = combined.expected
    assert np.isnan(combined.outside_w).all()
    assert found.source == "clear_sky"
    assert found.low_w.sum() < 0.25 * found.power_w.sum()
    assert found.high_w.sum() > 1.3 * found.power_w.sum()


def test_neighbours_give_the_mean_of_their_powers_and_not_the_power_of_a_mean_sky(physics: Physics) -> None:
    """A table that bends: half of the skies clear, half dull, is not a middling sky."""
    skies = [Witness("a", np.full(96, 0.2), 0.1), Witness("b", np.full(96, 1.0), 0.1)]
    rung = neighbour_rung(physics, skies, ["string:s1"])
    assert rung is not None
    table = physics.power_w["string:s1"]
    mean = 0.5 * (at_index(table, skies[0].index) + at_index(table, skies[1].index))
    assert rung.power_w["string:s1"] == pytest.approx(mean)


def test_a_witness_out_of_line_hardly_counts(physics: Physics) -> None:
    good = [Witness(f"n{i}", np.full(96, k), 0.1) for i, k in enumerate((0.78, 0.8, 0.8, 0.82))]
    rung = neighbour_rung(physics, [*good, Witness("bad", np.full(96, 0.2), 0.1)], ["string:s1"])
    alone = neighbour_rung(physics, good, ["string:s1"])
    assert rung is not None
    assert alone is not None
    assert rung.power_w["string:s1"].sum() == pytest.approx(alone.power_w["string:s1"].sum(), rel=0.01)


def test_a_roof_of_three_is_not_moved_by_one_bad_string(physics: Physics) -> None:
    seen = [Witness(f"string:s{n}", np.full(96, k), 0.04) for n, k in enumerate((0.8, 0.81, 0.3), 2)]
    rung = roof_rungs(physics, {"string:s1": seen})["string:s1"]
    assert np.nanmax(np.abs(rung.index - 0.8)) < 0.011


def test_a_range_widens_or_narrows_until_eight_days_of_ten_lie_within() -> None:
    """On days drawn from a normal distribution three times as wide, or half as wide, as was planned."""
    random = np.random.default_rng(5)
    for true in (3.0, 0.5):
        days = Outcomes(random.normal(0.0, true, 90), np.full(90, 0.5))
        factor = widening(days, 0.5)
        later = np.abs(random.normal(0.0, true, 4000)) < Z80 * factor
        assert 0.73 < later.mean() < 0.87


def test_without_experience_the_plan_stands_and_other_days_count_less() -> None:
    assert widening(None, 0.9) == 1.0
    dull = Outcomes(np.full(40, 4.0), np.full(40, 0.2))
    assert 1.0 < widening(dull, 0.9) < widening(dull, 0.2)
