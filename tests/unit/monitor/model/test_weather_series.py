"""Weather series of any interval: nothing of their energy is lost, and the sun tells how late they are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.readings import Values
from monitor.config.models import Site
from monitor.model.grid import STEP_S, grid
from monitor.model.ladder import weather_rung
from monitor.model.physics import Physics, at_index, site_physics
from monitor.model.sky import Sky
from monitor.model.weather_series import Series, in_line, lateness_s, shaped
from tests.unit.monitor.conftest import made_site

JUNE = 1_782_000_000 // 86400 * 86400
STARTS = grid(JUNE, JUNE + 86400)


@pytest.fixture(scope="module")
def physics() -> Physics:
    return site_physics(made_site(), STARTS)


def of_shape(fine: Values, minutes: int, late_s: int = 0) -> Series:
    """Interval means of a curve on the grid, stamped so late."""
    edges = np.append(STARTS, STARTS[-1] + STEP_S)
    energy = np.append(0.0, np.cumsum(fine) * STEP_S)
    begins = np.arange(JUNE, JUNE + 86400, minutes * 60)
    ends = begins + minutes * 60
    means = (np.interp(ends - late_s, edges, energy) - np.interp(begins - late_s, edges, energy)) / (minutes * 60)
    return Series(begins, ends, means)


@given(st.sampled_from([5, 10, 15, 20, 30, 60, 180]), st.integers(-3, 3), st.data())
def test_every_interval_keeps_its_energy(minutes: int, odd: int, data: st.DataObject) -> None:
    clear = np.maximum(np.sin(np.linspace(-np.pi / 2, 3 * np.pi / 2, 96)), 0.0) * 900.0
    begins = np.arange(JUNE, JUNE + 86400, minutes * 60) + odd * 60 * (minutes % 15 != 0)
    begins = begins[(begins >= JUNE) & (begins + minutes * 60 <= JUNE + 86400)]
    means = np.array(data.draw(st.lists(st.floats(0.0, 1400.0), min_size=begins.size, max_size=begins.size)))
    out = shaped([Series(begins, begins + minutes * 60, means)], clear, STARTS)
    covered = ~np.isnan(out)
    if odd == 0 or minutes % 15 == 0:
        assert np.sum(out[covered]) * STEP_S == pytest.approx(np.sum(means) * minutes * 60, rel=1e-9, abs=1e-6)
    if minutes % 15 == 0:
        per = out.reshape(-1, minutes // 15).mean(axis=1)
        assert per == pytest.approx(means, rel=1e-9, abs=1e-9)


def test_an_hour_takes_on_the_clear_skys_shape(physics: Physics) -> None:
    out = shaped([of_shape(0.7 * physics.clear.ghi, 60)], physics.clear.ghi, STARTS)
    assert out == pytest.approx(0.7 * physics.clear.ghi, abs=1e-6)


def test_the_first_source_is_heard_and_the_second_fills_its_gaps() -> None:
    first = Series(STARTS[:4], STARTS[:4] + STEP_S, np.full(4, 100.0))
    second = Series(STARTS[:8], STARTS[:8] + STEP_S, np.full(8, 300.0))
    out = shaped([first, second], np.ones(96), STARTS)
    assert out[:8].tolist() == [100.0] * 4 + [300.0] * 4
    assert np.isnan(out[8:]).all()


@pytest.mark.parametrize("minutes", [10, 30, 60, 180])
def test_series_of_any_interval_give_the_same_day(site: Site, physics: Physics, minutes: int) -> None:
    series = {"irradiance_ghi": [of_shape(0.8 * physics.clear.ghi, minutes)]}
    rung = weather_rung(site, physics, series, ["string:s1"])
    assert rung is not None
    true = at_index(physics.power_w["string:s1"], np.full(96, 0.8)).sum()
    assert np.nansum(rung.power_w["string:s1"]) == pytest.approx(true, rel=0.005)


def test_the_hours_of_sunrise_and_sunset_are_within_what_a_sky_can_be(site: Site, physics: Physics) -> None:
    """An hour with ten minutes of sun, in which a series tells 30 W/m2: no beam of a thousand may come of it."""
    ghi = of_shape(physics.clear.ghi, 60)
    low = (ghi.values > 0.0) & (ghi.values < 60.0)
    raised = Series(ghi.begins, ghi.ends, np.where(low, ghi.values + 30.0, ghi.values))
    dni = Series(ghi.begins, ghi.ends, np.where(ghi.values > 0.0, 1000.0, 0.0))
    rung = weather_rung(site, physics, {"irradiance_ghi": [raised], "irradiance_dni": [dni]}, ["string:s1"])
    assert rung is not None
    assert np.count_nonzero(low) >= 2
    faint = physics.clear.ghi < 60.0
    assert np.nanmax(rung.power_w["string:s1"][faint]) < 4000.0 * 0.15
    assert np.nanmax(rung.index) <= 1.25


def test_a_beam_that_is_not_known_for_a_while_is_split_off_by_the_sky(site: Site, physics: Physics) -> None:
    clear: Sky = physics.clear
    ghi, dni = of_shape(clear.ghi, 15), of_shape(clear.dni, 15)
    cut = Series(dni.begins[:48], dni.ends[:48], dni.values[:48])
    rung = weather_rung(site, physics, {"irradiance_ghi": [ghi], "irradiance_dni": [cut]}, ["string:s1"])
    assert rung is not None
    assert np.nansum(rung.power_w["string:s1"]) == pytest.approx(physics.clear_w("string:s1").sum(), rel=0.01)


def test_hours_of_air_are_joined_by_a_line_and_long_gaps_are_not() -> None:
    begins = np.array([0, 1, 2, 9, 10]) * 3600 + JUNE
    out = in_line([Series(begins, begins + 3600, np.array([10.0, 14.0, 18.0, 18.0, 18.0]))], STARTS)
    assert out[2:10:4] == pytest.approx([10.5, 14.5])  # 37.5 minutes past the hour
    assert np.isnan(out[13:36]).all()
    assert out[37] == pytest.approx(18.0)


def test_wind_cools_and_air_warms() -> None:
    calm = site_physics(made_site(), STARTS).power_w["string:s1"].sum()
    windy = site_physics(made_site(), STARTS, wind_m_s=np.full(96, 10.0)).power_w["string:s1"].sum()
    gaps = site_physics(made_site(), STARTS, wind_m_s=np.full(96, np.nan)).power_w["string:s1"].sum()
    assert 1.01 < windy / calm < 1.06
    assert gaps == calm


@given(
    minutes=st.sampled_from([15, 30, 60]), late=st.integers(-4, 4), level=st.floats(0.8, 1.15), seed=st.integers(0, 9)
)
def test_the_sun_tells_how_late_a_clear_series_is(
    physics: Physics, minutes: int, late: int, level: float, seed: int
) -> None:
    noise = 1.0 + 0.01 * np.random.default_rng(seed).standard_normal(96)
    series = of_shape(level * noise * physics.clear.ghi, minutes, late_s=late * STEP_S)
    found = lateness_s(series, physics.clear.ghi, STARTS)
    assert found is not None
    assert found == pytest.approx(late * STEP_S, abs=240.0)


def test_clouds_half_a_day_and_darkness_tell_nothing_of_the_clock(physics: Physics) -> None:
    ghi = physics.clear.ghi
    broken = ghi * np.where(np.arange(96) % 7 < 3, 0.3, 1.0)
    assert lateness_s(of_shape(broken, 15), ghi, STARTS) is None
    morning = of_shape(ghi, 60)
    half = Series(morning.begins[:12], morning.ends[:12], morning.values[:12])
    assert lateness_s(half, ghi, STARTS) is None
    assert lateness_s(of_shape(np.zeros(96), 60), ghi, STARTS) is None
    assert lateness_s(of_shape(ghi, 60), np.zeros(96), STARTS) is None
