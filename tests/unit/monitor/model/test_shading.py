"""Tables and rungs behind what stands before a sky."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from monitor.model.grid import grid
from monitor.model.ladder import Rung
from monitor.model.physics import CLEAR_NODE, Physics, at_index, site_physics
from monitor.model.power import ac_power
from monitor.model.shading import shaded_physics, shaded_rung
from monitor.model.skycells import CELL_AZIMUTH
from monitor.model.skymap import SkyMap, open_sky
from tests.unit.monitor.conftest import made_site

SITE = made_site()
BEGIN = (date(2026, 6, 21) - date(1970, 1, 1)).days * 86_400


@pytest.fixture(scope="module")
def physics() -> Physics:
    return site_physics(SITE, grid(BEGIN, BEGIN + 86_400))


def wall(through: float) -> SkyMap:
    """Something that stands before the whole morning."""
    hidden = np.where(CELL_AZIMUTH < 180.0, through, 1.0)
    return replace(open_sky(52.1), leafy=hidden, bare=hidden)


def test_an_open_sky_changes_nothing(physics: Physics) -> None:
    behind = shaded_physics(SITE, physics, {"string:s1": open_sky(52.1)})
    for subject, table in physics.power_w.items():
        np.testing.assert_allclose(behind.power_w[subject], table, rtol=1e-12)
        np.testing.assert_allclose(behind.beam_share[subject], physics.beam_share[subject], rtol=1e-9, atol=1e-12)
    assert shaded_physics(SITE, physics, {}) is physics


def test_one_string_in_the_shade_leaves_the_other_alone(physics: Physics) -> None:
    sky = wall(0.0)
    behind = shaded_physics(SITE, physics, {"string:s1": sky})
    np.testing.assert_array_equal(behind.power_w["string:s2"], physics.power_w["string:s2"])
    morning = (physics.sun.azimuth_deg < 170.0) & (physics.sun.elevation_deg > 5.0)
    blocked = sky.blocked_diffuse(35.0, 180.0, 172.0)
    rest = (1.0 - physics.beam_share["string:s1"]) * physics.power_w["string:s1"]
    np.testing.assert_allclose(
        behind.power_w["string:s1"][:, morning], (1.0 - blocked) * rest[:, morning], rtol=1e-9, atol=1e-9
    )
    assert np.all(behind.beam_share["string:s1"][:, morning] == 0.0)


def test_an_inverter_is_built_from_its_strings_and_limited_after_the_shade(physics: Physics) -> None:
    small = made_site(inverter=[{"id": "inv1", "rated_ac_w": 3000}])
    tables = site_physics(small, physics.starts)
    behind = shaded_physics(small, tables, {"string:s1": wall(0.0)})
    both = behind.power_w["string:s1"] + behind.power_w["string:s2"]
    np.testing.assert_allclose(behind.power_w["inverter:inv1"], ac_power(both, rated_ac_w=3000.0), rtol=1e-12)
    clear, azimuth = behind.power_w["inverter:inv1"][CLEAR_NODE], tables.sun.azimuth_deg
    np.testing.assert_allclose(clear[(azimuth > 190.0) & (azimuth < 210.0)], 3000.0)
    assert np.all(clear[azimuth < 130.0] < 3000.0)


def test_the_map_of_an_inverter_stands_for_strings_that_nobody_measures(physics: Physics) -> None:
    by_inverter = shaded_physics(SITE, physics, {"inverter:inv1": wall(0.3)})
    by_string = shaded_physics(SITE, physics, {"string:s1": wall(0.3), "string:s2": wall(0.3)})
    for subject in physics.power_w:
        np.testing.assert_allclose(by_inverter.power_w[subject], by_string.power_w[subject], rtol=1e-12)


def test_a_rung_by_the_index_is_read_from_the_shaded_tables(physics: Physics) -> None:
    maps = {"string:s1": wall(0.2)}
    behind = shaded_physics(SITE, physics, maps)
    index = np.full(96, 0.7)
    rung = Rung("sensor", {s: at_index(t, index) for s, t in physics.power_w.items()}, index, 0.05)
    found = shaded_rung(SITE, rung, physics, behind, maps)
    for subject in ("string:s1", "inverter:inv1"):
        np.testing.assert_allclose(found.power_w[subject], at_index(behind.power_w[subject], index), rtol=1e-12)
    np.testing.assert_array_equal(found.power_w["string:s2"], rung.power_w["string:s2"])


def test_a_rung_with_beam_of_its_own_is_shaded_by_that_beam(physics: Physics) -> None:
    maps = {"string:s1": wall(0.0)}
    behind = shaded_physics(SITE, physics, maps)
    clear = {s: physics.clear_w(s) for s in physics.power_w}
    share = {s: np.full(96, 0.6) for s in physics.power_w}
    rung = Rung("weather", clear, np.ones(96), 0.13, share)
    found = shaded_rung(SITE, rung, physics, behind, maps).power_w["string:s1"]
    morning = (physics.sun.azimuth_deg < 170.0) & (physics.sun.elevation_deg > 5.0)
    blocked = maps["string:s1"].blocked_diffuse(35.0, 180.0, 172.0)
    np.testing.assert_allclose(found[morning], (1.0 - blocked) * 0.4 * clear["string:s1"][morning], rtol=1e-9)
