"""Where the sun stands, and what a cloudless sky sends down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pvlib import clearsky

from monitor.demo.chance import Floats
from monitor.demo.span import STEP_S, Span, Whole

LOWEST_SUN_DEG = 0.5  # below this the demo calls it night
SOLAR_CONSTANT_W_M2 = 1361.0


@dataclass(frozen=True, eq=False)
class Sun:
    """The sun in the middle of every step that it is up; `lit` are the places of these steps in the span."""

    lit: Whole
    elevation_deg: Floats
    azimuth_deg: Floats
    extra_w_m2: Floats

    @property
    def zenith_deg(self) -> Floats:
        """Angle from the vertical."""
        return 90.0 - self.elevation_deg


@dataclass(frozen=True, eq=False)
class Light:
    """Irradiance on the level and towards the sun [W/m2]; of the same length as the sun's arrays."""

    ghi: Floats
    dni: Floats
    dhi: Floats


def sun_position(seconds: Whole, latitude: float, longitude: float) -> tuple[Floats, Floats]:
    """Refracted elevation and azimuth of the sun by the low-precision almanac formulae.

    Parameters
    ----------
    seconds : array of int
        UTC epoch seconds.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    elevation, azimuth : arrays
        Degrees; azimuth clockwise from north. Good to about 0.02 degrees from 1950 to 2050.

    References
    ----------
    J. J. Michalsky, The Astronomical Almanac's algorithm for approximate solar position, Solar Energy 40 (1988) 227.
    """
    days = seconds / 86400.0 - 10957.5  # since noon of 1 January 2000
    mean_longitude = np.radians((280.460 + 0.9856474 * days) % 360.0)
    anomaly = np.radians((357.528 + 0.9856003 * days) % 360.0)
    ecliptic = mean_longitude + np.radians(1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    obliquity = np.radians(23.439 - 4.0e-7 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    sidereal = np.radians((6.697375 + 0.0657098242 * days + seconds % 86400 / 3600.0) * 15.0 + longitude)
    hour_angle = sidereal - ascension
    phi = np.radians(latitude)
    sine = np.sin(declination) * np.sin(phi) + np.cos(declination) * np.cos(phi) * np.cos(hour_angle)
    east = -np.cos(declination) * np.sin(hour_angle)
    north = np.sin(declination) * np.cos(phi) - np.cos(declination) * np.sin(phi) * np.cos(hour_angle)
    elevation = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return _refracted(elevation), np.degrees(np.arctan2(east, north)) % 360.0


def _refracted(elevation: Floats) -> Floats:
    """Michalsky's refraction, for a standard atmosphere."""
    e = np.maximum(elevation, -0.56)
    return np.asarray(elevation + 3.51561 * (0.1594 + 0.0196 * e + 0.00002 * e**2) / (1 + 0.505 * e + 0.0845 * e**2))


def sun_path(span: Span, latitude: float, longitude: float) -> Sun:
    """The sun over a span, in the middle of the steps."""
    elevation, azimuth = sun_position(span.starts + STEP_S // 2, latitude, longitude)
    lit = np.flatnonzero(elevation > LOWEST_SUN_DEG)
    extra = SOLAR_CONSTANT_W_M2 * (1.0 + 0.03344 * np.cos(span.year_angle[lit] - 0.048869))
    return Sun(lit, elevation[lit], azimuth[lit], extra)


def cloudless(sun: Sun, aerosol_depth: Floats, vapour_cm: Floats, altitude_m: float) -> Light:
    """Clear-sky irradiance by the simplified Solis model (Ineichen, Solar Energy 82 (2008) 758)."""
    pressure = 101325.0 * np.exp(-altitude_m / 8400.0)
    sky = clearsky.simplified_solis(
        sun.elevation_deg, aod700=aerosol_depth, precipitable_water=vapour_cm, pressure=pressure,
        dni_extra=sun.extra_w_m2,
    )  # fmt: skip
    return Light(sky["ghi"], sky["dni"], sky["dhi"])
