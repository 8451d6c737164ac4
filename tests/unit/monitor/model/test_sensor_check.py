"""A sensor is believed when its clear days bear it out, and says why when they do not."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.model.gain import NAMEPLATE, Gains
from monitor.model.grid import grid
from monitor.model.ladder import SENSOR_SIGMA, sensor_rung
from monitor.model.numbers import Nights
from monitor.model.physics import CLEAR_NODE, Physics, site_physics
from monitor.model.sensor_check import (
    UNCHECKED_SIGMA,
    SensorDay,
    SensorTrust,
    believed,
    sensor_features,
    sensor_trust,
)
from monitor.model.weather_series import Series
from tests.unit.monitor.conftest import made_site

JUNE = 1_782_000_000 // 86400 * 86400
LEARNED = Gains(0.9, 0.9, 0.9, 0.03, True)
Features = dict[str, float | None]
PLANES = [{"id": "south", "tilt_deg": 35, "azimuth_deg": 180}, {"id": "east", "tilt_deg": 35, "azimuth_deg": 90}]


@pytest.fixture(scope="module")
def physics() -> Physics:
    return site_physics(made_site(plane=PLANES), grid(JUNE, JUNE + 86400))


def clear_day(physics: Physics, seen: Values, *, own: float = 1.0, repeats: float = 0.0) -> Features:
    """A day that the roof shows to be clear, and on which the sensor saw this."""
    clear = physics.sun.elevation_deg > 15.0
    day = SensorDay(seen, repeats, clear, np.where(clear, own, np.nan))
    return sensor_features(day, physics, "south")


def judge(days: list[Features], gains: Gains = LEARNED) -> SensorTrust:
    """The verdict after such days."""
    return sensor_trust(Nights.of(days), [gains], "south")


def in_plane(physics: Physics, plane: str = "south") -> Values:
    return np.asarray(physics.plane_w_m2[plane][CLEAR_NODE])


def test_a_sensor_that_follows_its_plane_is_believed_after_five_clear_days(physics: Physics) -> None:
    day = clear_day(physics, 0.97 * in_plane(physics))
    before = judge([day] * 4)
    assert before.verdict == "not_yet"
    assert before.remark == "the irradiance sensor is not checked yet: 4 clear days of 5"
    assert judge([day] * 5) == SensorTrust("believed")


@pytest.mark.parametrize(("plane", "words"), [("east", "lies in the plane 'east'"), ("level", "lies level")])
def test_a_wrong_plane_is_doubted_and_named(physics: Physics, plane: str, words: str) -> None:
    seen = physics.clear.ghi if plane == "level" else in_plane(physics, plane)
    steep = site_physics(
        made_site(plane=[{"id": "south", "tilt_deg": 60, "azimuth_deg": 180}, PLANES[1]]), physics.starts
    )
    trust = judge([clear_day(steep, seen)] * 6)
    assert trust.verdict == "doubted"
    assert words in trust.remark


def test_drift_is_the_sensors_when_the_roof_stands_still(physics: Physics) -> None:
    low = clear_day(physics, 0.85 * in_plane(physics))
    trust = judge([low] * 6)
    assert trust.verdict == "doubted"
    assert trust.remark == "the irradiance sensor's level has moved by -15% on clear days, and the roof's has not"


def test_haze_moves_both_and_dirt_only_the_roof(physics: Physics) -> None:
    hazy = clear_day(physics, 0.88 * in_plane(physics), own=0.88)
    dirty = clear_day(physics, in_plane(physics), own=0.8)
    for day in (hazy, dirty):
        assert judge([day] * 6).verdict == "believed"


def test_before_gains_are_learned_only_an_impossible_level_is_doubted(physics: Physics) -> None:
    low, half = (clear_day(physics, part * in_plane(physics)) for part in (0.85, 0.5))
    assert judge([low] * 6, NAMEPLATE).verdict == "believed"
    trust = judge([half] * 6, NAMEPLATE)
    assert trust.remark == "the irradiance sensor reads 50% of a cloudless sky on clear days"


def test_stuck_values_and_light_at_night(physics: Physics) -> None:
    stuck = clear_day(physics, np.full(96, 300.0), repeats=1.0)
    assert "repeats the same value" in judge([stuck] * 3).remark
    lifted = clear_day(physics, in_plane(physics) + 40.0)
    assert "reads 40 W/m2 at night" in judge([lifted] * 5).remark
    assert judge([clear_day(physics, in_plane(physics) - 3.0)] * 5).verdict == "believed"


def test_shade_at_some_places_of_the_sun_takes_these_out_and_no_others(site: Site, physics: Physics) -> None:
    azimuth = physics.sun.azimuth_deg
    behind = (azimuth >= 90.0) & (azimuth < 120.0)
    seen = in_plane(physics) * np.where(behind, 0.5, 1.0)
    trust = judge([clear_day(physics, seen)] * 6)
    assert trust == SensorTrust(
        "believed", "the irradiance sensor is shaded when the sun stands at 90 to 120 degrees", (90,)
    )
    series = {"irradiance_poa": [Series(physics.starts, physics.starts + 900, seen)]}
    rung = sensor_rung(made_site(plane=PLANES), physics, series, ["string:s1"])
    assert rung is not None
    kept = believed(rung, physics, trust)
    assert kept is not None
    assert np.isnan(kept.power_w["string:s1"][behind]).all()
    lit = (physics.sun.elevation_deg > 5.0) & ~behind
    assert not np.isnan(kept.power_w["string:s1"][lit]).any()


def test_one_shaded_day_of_five_is_a_cloud(physics: Physics) -> None:
    behind = physics.sun.azimuth_deg < 120.0
    good, bad = (clear_day(physics, in_plane(physics) * np.where(behind, k, 1.0)) for k in (1.0, 0.5))
    assert judge([good, good, good, bad, good]).shaded == ()


def test_how_sure_a_sensor_is_follows_the_verdict(physics: Physics) -> None:
    series = {"irradiance_poa": [Series(physics.starts, physics.starts + 900, in_plane(physics))]}
    rung = sensor_rung(made_site(plane=PLANES), physics, series, ["string:s1"])
    assert rung is not None
    sigmas = [
        None if (kept := believed(rung, physics, SensorTrust(v))) is None else kept.sigma
        for v in ("believed", "not_yet", "doubted")
    ]
    assert sigmas == [SENSOR_SIGMA, UNCHECKED_SIGMA, None]


def test_a_dull_day_says_nothing_but_what_the_night_and_the_digits_say(physics: Physics) -> None:
    dull = SensorDay(0.3 * in_plane(physics), 0.0, np.zeros(96, dtype=bool), np.full(96, np.nan))
    assert set(sensor_features(dull, physics, "south")) == {"sensor_repeats", "sensor_night"}
