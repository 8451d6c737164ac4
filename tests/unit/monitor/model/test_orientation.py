"""Planes of known orientation are found again, whichever way they lie and wherever they stand."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from ingest.readings import Values
from monitor.model.grid import grid
from monitor.model.orientation import Orientation, OrientationFit, fit_orientation, orientation_of, turn, vector
from monitor.model.trial import Maker, Spot, put_on_trial
from tests.benchmarks.standing_roof import Roof, roof_log

DAYS = 20
MAKER = Maker(4000.0, -0.0035)
JUNE, MARCH, DECEMBER = 1_748_736_000, 1_740_787_200, 1_733_011_200  # first days of months, UTC


def clear_power(spot: Spot, truth: Orientation, first: int, maker: Maker = MAKER, clock_fast_s: float = 0.0) -> Values:
    """Twenty cloudless days with a level of their own each, the clock perhaps wrong."""
    starts = grid(first, first + DAYS * 86400)
    trial = put_on_trial(starts + 450.0 - clock_fast_s, spot, maker)
    day = (starts - first) // 86400
    levels = 1.0 + 0.02 * np.random.default_rng(1).standard_normal(DAYS)
    return np.where(trial.sun.elevation_deg > 0.0, trial.guess(*truth).power_w, 0.0) * levels[day]


def fit(
    spot: Spot, power_w: Values, first: int, stated: Orientation | None = None, maker: Maker = MAKER
) -> OrientationFit:
    return fit_orientation(power_w, grid(first, first + DAYS * 86400), spot=spot, maker=maker, stated=stated)


@pytest.mark.parametrize(
    ("spot", "truth", "first"),
    [
        (Spot(52.0, 0.0, 50.0), (35.0, 180.0), JUNE),
        (Spot(52.0, 0.0, 50.0), (30.0, 265.0), MARCH),
        (Spot(52.0, 0.0, 50.0), (30.0, 95.0), MARCH),
        (Spot(35.0, 139.0, 50.0), (25.0, 150.0), JUNE),
        (Spot(-35.0, 150.0, 50.0), (30.0, 20.0), MARCH),
        (Spot(-35.0, -70.0, 500.0), (25.0, 300.0), DECEMBER),
        (Spot(69.5, 19.0, 10.0), (45.0, 200.0), JUNE),  # the sun does not set
    ],
)  # fmt: skip
def test_plane_is_found_again(spot: Spot, truth: Orientation, first: int) -> None:
    found = fit(spot, clear_power(spot, truth, first), first)
    assert found.trusted, found.why_not
    assert found.tilt_deg == pytest.approx(truth[0], abs=1.0)
    assert turn(found.azimuth_deg, truth[1]) == pytest.approx(0.0, abs=1.5)
    assert found.scale == pytest.approx(1.0, abs=0.05)
    assert found.better_than_stated == np.inf


def test_wrong_papers_do_not_hold_the_fit() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    found = fit(spot, clear_power(spot, (40.0, 250.0), MARCH), MARCH, stated=(35.0, 110.0))
    assert turn(found.azimuth_deg, 250.0) == pytest.approx(0.0, abs=1.5)
    assert found.better_than_stated > 100.0


def test_inverter_that_clips_is_fitted_beside_its_limit() -> None:
    spot, small = Spot(52.0, 0.0, 50.0), Maker(4000.0, -0.0035, 2600.0)
    power = clear_power(spot, (35.0, 200.0), JUNE, small)
    assert np.count_nonzero(power >= 0.99 * 2600.0) > 100
    found = fit(spot, power, JUNE, maker=small)
    assert found.tilt_deg == pytest.approx(35.0, abs=2.0)
    assert turn(found.azimuth_deg, 200.0) == pytest.approx(0.0, abs=2.0)


def test_level_plane_has_no_azimuth() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    found = fit(spot, clear_power(spot, (1.0, 180.0), JUNE), JUNE)
    assert found.tilt_deg < 2.5
    assert found.azimuth_sigma > 40.0


def test_shaded_mornings_do_not_turn_the_plane() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    power = clear_power(spot, (35.0, 180.0), MARCH)
    hours = grid(MARCH, MARCH + DAYS * 86400) % 86400 / 3600.0
    power = np.where(hours < 9.0, 0.35 * power, power)
    found = fit(spot, power, MARCH)
    assert turn(found.azimuth_deg, 180.0) == pytest.approx(0.0, abs=3.0)


def test_wrong_clock_is_doubted_and_not_turned_into_an_azimuth() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    found = fit(spot, clear_power(spot, (35.0, 180.0), JUNE, clock_fast_s=3600.0), JUNE, stated=(35.0, 180.0))
    assert not found.trusted
    assert found.clock_doubt_s == pytest.approx(3600.0, abs=400.0)
    assert found.why_not.startswith("a clock ")
    assert found.why_not.endswith(" minutes wrong would explain it as well")


def test_two_planes_are_refused() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    power = clear_power(spot, (30.0, 100.0), JUNE) + clear_power(spot, (40.0, 190.0), JUNE)
    found = fit(spot, power, JUNE, maker=Maker(8000.0, -0.0035))
    assert not found.trusted
    assert found.why_not


def test_overcast_weeks_say_so() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    dull = 0.2 * clear_power(spot, (35.0, 180.0), MARCH)
    dull *= np.random.default_rng(2).uniform(0.5, 1.5, dull.size)
    found = fit(spot, dull, MARCH)
    assert not found.trusted
    assert found.why_not == "0 clear days do not tell the orientation yet"
    assert np.isnan(found.tilt_deg)


def test_gaps_are_left_out() -> None:
    spot = Spot(52.0, 0.0, 50.0)
    power = clear_power(spot, (35.0, 160.0), MARCH)
    power[np.random.default_rng(3).integers(0, power.size, 60)] = np.nan
    power[: 3 * 96] = np.nan
    assert turn(fit(spot, power, MARCH).azimuth_deg, 160.0) == pytest.approx(0.0, abs=2.0)


def test_a_roof_of_other_physics() -> None:
    log = roof_log(Roof(52.0, 35.0, 225.0, date(2025, 4, 1), days=60, seed=8))
    found = fit_orientation(log.dc_w, log.starts, spot=log.spot, maker=log.dc_maker, stated=(38.0, 218.0))
    assert abs(found.tilt_deg - 35.0) < 3.0 * found.tilt_sigma
    assert abs(turn(found.azimuth_deg, 225.0)) < 3.0 * found.azimuth_sigma
    assert found.azimuth_sigma < 6.0


@pytest.mark.parametrize("azimuth", [0.0, 45.0, 90.0, 180.0, 270.0, 359.0])
def test_vector_and_back(azimuth: float) -> None:
    tilt, back = orientation_of(vector((30.0, azimuth)))
    assert tilt == pytest.approx(30.0)
    assert turn(back, azimuth) == pytest.approx(0.0, abs=1e-9)


def test_turn_is_clockwise_and_short() -> None:
    assert turn(10.0, 350.0) == pytest.approx(20.0)
    assert turn(350.0, 10.0) == pytest.approx(-20.0)
