"""What sites share of a night's work gives bit by bit what each of them would get from plain calls of its own."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib import atmosphere, spa

from monitor.model.sun import sun_position

YEAR = np.arange(1_767_225_600, 1_767_225_600 + 365 * 86_400, 7_900, dtype=np.int64)


@settings(deadline=None, max_examples=30)
@given(st.floats(-89.0, 89.0), st.floats(-180.0, 180.0), st.floats(-100.0, 3000.0))
def test_the_sun_of_a_site_is_that_of_the_whole_algorithm(latitude: float, longitude: float, height: float) -> None:
    pressure = atmosphere.alt2pres(height) / 100.0
    zenith, _, _, _, azimuth, _ = spa.solar_position(
        YEAR.astype(np.float64), latitude, longitude, height, pressure, 12.0, 69.2, 0.5667
    )
    for _ in range(2):  # computed, and remembered
        sun = sun_position(YEAR, latitude=latitude, longitude=longitude, altitude_m=height)
        np.testing.assert_array_equal(sun.zenith_deg, zenith)
        np.testing.assert_array_equal(sun.azimuth_deg, azimuth)
