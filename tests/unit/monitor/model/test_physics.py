"""The tables of a site: signs of hemispheres and azimuths, limits, and looking up both ways."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.models import Site
from monitor.model.grid import STEP_S, grid
from monitor.model.physics import INDEX_NODES, Physics, at_index, index_of, site_physics
from tests.unit.monitor.conftest import made_site

JUNE = 1_782_000_000 // 86400 * 86400  # 2026-06-21 UTC
DECEMBER = JUNE + 183 * 86400
PLACE = {"id": "x", "name": "X", "timezone": "UTC", "commissioned": "2025-01-01"}


def tables(
    *, azimuth: float, latitude: float = 52.0, longitude: float = 0.0, day: int = JUNE, tilt: float = 35.0
) -> Physics:
    site = made_site(
        site=PLACE | {"latitude": latitude, "longitude": longitude},
        plane=[{"id": "south", "tilt_deg": tilt, "azimuth_deg": azimuth}],
    )
    return site_physics(site, grid(day, day + 86400))


def centre_h(physics: Physics) -> float:
    clear = physics.clear_w("string:s1")
    return float(np.average((physics.starts % 86400 + STEP_S / 2) / 3600, weights=clear))


def energy(physics: Physics) -> float:
    return float(physics.clear_w("string:s1").sum())


def test_east_makes_its_energy_in_the_morning_and_west_in_the_afternoon() -> None:
    assert centre_h(tables(azimuth=90)) < 11.0 < 12.0 < 13.0 < centre_h(tables(azimuth=270))
    assert centre_h(tables(azimuth=180)) == pytest.approx(12.0, abs=0.2)


def test_sun_is_early_in_the_east() -> None:
    assert centre_h(tables(azimuth=180, longitude=15.0)) == pytest.approx(11.0, abs=0.2)


def test_in_the_south_the_sun_is_in_the_north() -> None:
    assert energy(tables(azimuth=0, latitude=-34.0)) > 1.5 * energy(tables(azimuth=180, latitude=-34.0))
    assert energy(tables(azimuth=180, latitude=52.0, day=DECEMBER)) > 2.0 * energy(
        tables(azimuth=0, latitude=52.0, day=DECEMBER)
    )


def test_a_place_without_night_has_power_all_day_and_no_nan() -> None:
    physics = tables(azimuth=180, latitude=69.0, tilt=10.0)
    assert np.all(np.isfinite(physics.clear_w("string:s1")))
    assert np.count_nonzero(physics.clear_w("string:s1") > 0.0) == 96


def test_polar_night_is_dark_and_finite() -> None:
    physics = tables(azimuth=180, latitude=69.0, day=DECEMBER)
    assert energy(physics) == 0.0
    assert np.all(np.isfinite(physics.power_w["inverter:inv1"]))


def test_inverter_never_exceeds_its_rating(site: Site) -> None:
    physics = site_physics(site, grid(JUNE, JUNE + 86400))
    assert physics.power_w["inverter:inv1"].max() <= 7500.0
    assert physics.power_w["string:s1"].max() > 3500.0


@given(st.floats(0.02, 1.0))
def test_looking_up_both_ways(index: float) -> None:
    physics = PHYSICS
    table = physics.power_w["string:s1"]
    asked = np.full(table.shape[1], index)
    power = at_index(table, asked)
    found = index_of(table, power)
    light = table[-1] > 0.0
    assert at_index(table, found)[light] == pytest.approx(power[light], rel=1e-9, abs=1e-9)
    assert np.all(np.isnan(found[~light]))


def test_index_of_gaps_and_of_too_much_power() -> None:
    table = PHYSICS.power_w["string:s1"]
    assert np.isnan(index_of(table, np.full(table.shape[1], np.nan))).all()
    noon = int(table[-1].argmax())
    assert index_of(table, table[-1] * 2.0)[noon] == INDEX_NODES[-1]


PHYSICS = tables(azimuth=180)
