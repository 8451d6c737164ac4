"""A year of the reference hourly run: given its irradiance, our chain must give its energy.

Data: official PVWatts hourly output (NREL), 4 kW at 39.73 N 105.18 W, tilt 20, south, as shipped with pvlib-python's
tests (BSD-3). A model's output, so this tells of the chain and not of the world.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.model.plane import on_plane
from monitor.model.power import ac_power, cell_temperature, dc_power
from monitor.model.sky import Sky
from monitor.model.sun import sun_position

_LOSSES = 0.1408
_AC_W = 4000.0 / 1.2


def read_year(path: Path) -> pd.DataFrame:
    table = pd.read_csv(path, skiprows=17, encoding="latin-1")
    return table[pd.to_numeric(table["Month"], errors="coerce").notna()].astype(float)


@pytest.mark.parametrize("mount", ["rackmount", "roofmount"])
def test_annual_energy_within_two_per_cent(opendata: Path, mount: str) -> None:
    year = read_year(opendata / "pvlib_reference" / f"pvwatts_8760_{mount}.csv")
    assert len(year) == 8760
    mid_hours = pd.Timestamp("2023-01-01 00:30", tz="Etc/GMT+7").timestamp() + np.arange(8760) * 3600.0
    sun = sun_position(mid_hours, latitude=39.73, longitude=-105.18, altitude_m=1820.0)
    dni = year["Beam Irradiance (W/m^2)"].to_numpy()
    dhi = year["Diffuse Irradiance (W/m^2)"].to_numpy()
    sky = Sky(ghi=dhi + dni * sun.cos_zenith, dni=dni, dhi=dhi)
    plane = on_plane(sky, sun, tilt_deg=20.0, azimuth_deg=180.0)
    given_plane = year["Plane of Array Irradiance (W/m^2)"].to_numpy()
    assert plane.total.sum() / given_plane.sum() == pytest.approx(1.0, abs=0.02)

    given_cell = year["Cell Temperature (C)"].to_numpy()
    effective = given_plane * np.divide(plane.effective, plane.total, out=np.zeros(8760), where=plane.total > 0.0)
    dc = dc_power(effective, given_cell, rated_w=4000.0 * (1.0 - _LOSSES), gamma_per_c=-0.0047)
    ac = ac_power(dc, rated_ac_w=_AC_W)
    given_ac = year["AC System Output (W)"].to_numpy()
    assert ac.sum() / given_ac.sum() == pytest.approx(1.0, abs=0.02)
    assert np.corrcoef(ac, given_ac)[0, 1] > 0.995


def test_roof_cell_temperature_is_near_the_reference_roof(opendata: Path) -> None:
    year = read_year(opendata / "pvlib_reference" / "pvwatts_8760_roofmount.csv")
    plane = year["Plane of Array Irradiance (W/m^2)"].to_numpy()
    bright = plane > 400.0
    ours = cell_temperature(plane, year["Ambient Temperature (C)"].to_numpy(), year["Wind Speed (m/s)"].to_numpy())
    given = year["Cell Temperature (C)"].to_numpy()
    assert np.average((ours - given)[bright], weights=plane[bright]) == pytest.approx(0.0, abs=1.0)
