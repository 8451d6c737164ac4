"""Cell temperature, power and key figures against published values and worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from pvlib import temperature

from monitor.model.kpi import yields
from monitor.model.power import SYSTEM_FACTOR, ac_power, cell_temperature, climatological_air_temperature, dc_power


@pytest.mark.parametrize(("u0", "u1", "cell"), [(25.0, 6.84, 35.203), (22.0, 6.0, 37.308)])
def test_cell_temperature_by_heat_loss(u0: float, u1: float, cell: float) -> None:
    # Faiman 2008 as in pvlib-python's tests: 900 W/m2, 20 C, 5 m/s.
    found = cell_temperature(np.array([900.0]), np.array([20.0]), 5.0, u0=u0, u1=u1)
    assert found[0] == pytest.approx(cell, abs=0.001)


def test_roof_runs_hotter_than_open_racks_and_cooler_than_insulated_backs() -> None:
    # King et al., SAND2004-3535, as in pvlib-python's tests: open rack 43.509 C at 900 W/m2, 20 C, 5 m/s.
    rack = temperature.sapm_cell(900.0, 20.0, 5.0, -3.47, -0.0594, 3)
    assert rack == pytest.approx(43.509, abs=0.001)
    # Ross with a nominal operating temperature of 45 C: 800 W/m2, 20 C -> 45 C in the open, in light wind (1 m/s);
    # roof-parallel arrays are rated about 49 C (NREL's reference run).
    roof = cell_temperature(np.array([800.0]), np.array([20.0]), 1.0)[0]
    assert 45.0 < roof < 55.0


def test_dc_power() -> None:
    # PVWatts version 5 (Dobos 2014), pvlib-python's test: 900 W/m2, 30 C, 100 W, -0.3 %/K -> 88.65 W.
    power = dc_power(np.array([900.0]), np.array([30.0]), rated_w=100.0, gamma_per_c=-0.003)
    assert power[0] == pytest.approx(88.65)


@pytest.mark.parametrize(("dc", "ac"), [(50.0, 48.1096), (100.0, 96.0), (140.0, 96.0)])
def test_ac_power_with_clipping(dc: float, ac: float) -> None:
    # PVWatts version 5 inverter, nominal efficiency 0.96 on 100 W DC: 50 -> 48.1096; at and above 100 -> 96 (clipped).
    assert ac_power(np.array([dc]), rated_ac_w=96.0)[0] == pytest.approx(ac, abs=1e-3)


def test_system_factor_is_a_plausible_loss() -> None:
    # PVWatts version 5: default losses 14.08 % with shading 3 %, availability 3 %, wiring, soiling 2 %, ...; without
    # what the gain and the findings account for, a few per cent remain.
    assert 1.0 - 0.1408 < SYSTEM_FACTOR < 1.0


@pytest.mark.parametrize(
    ("place", "month_day", "mean", "within"),
    [
        # Climate normals at sea level, from memory.
        ((52.0, 0.0), 15, 4.5, 4.0),
        ((52.0, 0.0), 196, 17.5, 3.0),
        ((40.0, -4.0), 196, 24.0, 4.0),
        ((-34.0, 151.0), 196, 13.0, 4.0),
        ((-34.0, 151.0), 15, 23.0, 4.0),
    ],
)
def test_air_temperature_where_nobody_measures(
    place: tuple[float, float], month_day: int, mean: float, within: float
) -> None:
    day = 1735689600.0 + 86400.0 * month_day + np.arange(0, 86400, 900)
    air = climatological_air_temperature(day, latitude=place[0], longitude=place[1])
    assert air.mean() == pytest.approx(mean, abs=within)
    warmest_local_hour = (day[air.argmax()] / 3600.0 + place[1] / 15.0) % 24.0
    assert warmest_local_hour == pytest.approx(15.0, abs=0.3)


G = np.array([200.0, 500.0, 800.0, 1000.0])
T = np.array([15.0, 25.0, 40.0, 50.0])
P = np.array([700.0, 1780.0, 2700.0, 3200.0])


def test_key_figures_of_a_worked_example() -> None:
    # Formulas of IEC 61724-1:2021; four hours of a 4 kW plant, worked by hand.
    found = yields(P, G, T, hours=1.0, rated_kw=4.0, gamma_per_c=-0.0035)
    assert found.reference_h == pytest.approx(2.5)
    assert found.final_h == pytest.approx(2.095)
    assert found.performance_ratio == pytest.approx(0.838)
    assert found.performance_ratio_stc == pytest.approx(0.88118, abs=1e-5)


def test_annual_equivalent_ratio_is_the_plain_ratio_on_its_own_data() -> None:
    # Identity behind the correction (Dierauf et al., NREL/TP-5200-57991): the mean taken from the same data cancels.
    rng = np.random.default_rng(5)
    for _ in range(50):
        g, t = rng.uniform(50, 1100, 40), rng.uniform(-5, 65, 40)
        found = yields(rng.uniform(0, 4000, 40), g, t, hours=0.25, rated_kw=4.0, gamma_per_c=-0.004)
        assert found.performance_ratio_annual == pytest.approx(found.performance_ratio, rel=1e-12)
    other = yields(P, G, T, hours=1.0, rated_kw=4.0, gamma_per_c=-0.0035, mean_c=25.0)
    assert other.performance_ratio_annual == pytest.approx(0.88118, abs=1e-5)


def test_no_sun_no_ratio() -> None:
    found = yields(P * 0.0, G * 0.0, T, hours=1.0, rated_kw=4.0, gamma_per_c=-0.0035)
    assert np.isnan(found.performance_ratio)
    assert found.reference_h == 0.0
