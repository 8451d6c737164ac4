"""Where the sun stands, once per site and span."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
from pvlib import atmosphere, irradiance, spa

from ingest.readings import Seconds, Values

# Terrestrial time minus universal time [s]; it has moved by less than 0.5 s since 2017 (IERS bulletins).
_DELTA_T = 69.2
_REFRACTION_AT_HORIZON_DEG = 0.5667


@dataclass(frozen=True, slots=True)
class Sun:
    """Sun position and what follows from it alone; every field has the shape (T,)."""

    zenith_deg: Values  # apparent (refracted)
    azimuth_deg: Values  # clockwise from north
    cos_zenith: Values  # of the apparent zenith, not below 0
    dni_extra: Values  # W/m2
    airmass: Values  # absolute; NaN below the horizon
    day_of_year: Values

    @property
    def elevation_deg(self) -> Values:
        """Apparent elevation [deg]."""
        return 90.0 - self.zenith_deg


def sun_position(times: Seconds | Values, *, latitude: float, longitude: float, altitude_m: float) -> Sun:
    """Compute the sun's place at instants.

    Parameters
    ----------
    times : array of shape (T,)
        Instants in UTC epoch seconds.
    latitude, longitude : float
        Degrees, north and east positive.
    altitude_m : float
        Metres above sea level.

    Returns
    -------
    Sun
        Arrays of shape (T,), angles in degrees.

    References
    ----------
    Reda and Andreas, "Solar position algorithm for solar radiation applications", NREL/TP-560-34302 (2008);
    Kasten and Young, Applied Optics 28 (1989) 4735 (air mass); Spencer 1971 as in pvlib (extraterrestrial radiation).
    """
    pressure = atmosphere.alt2pres(altitude_m)
    seen = _from_the_centre(np.asarray(times, dtype=np.float64).tobytes())
    zenith, azimuth = _from_the_place(seen, latitude, longitude, altitude_m, pressure / 100.0)
    relative = atmosphere.get_relative_airmass(np.where(zenith < 90.0, zenith, np.nan), "kastenyoung1989")
    return Sun(
        zenith_deg=zenith,
        azimuth_deg=azimuth,
        cos_zenith=np.maximum(np.cos(np.radians(zenith)), 0.0),
        dni_extra=seen.dni_extra,
        airmass=np.asarray(atmosphere.get_absolute_airmass(relative, pressure)),
        day_of_year=seen.day_of_year,
    )


@dataclass(frozen=True, slots=True)
class _Centre:
    """The sun as seen from the centre of the earth, the same for every site; shape (T,)."""

    distance_au: Values
    sidereal_deg: Values
    right_ascension_deg: Values
    declination_deg: Values
    dni_extra: Values
    day_of_year: Values


@lru_cache(maxsize=4)
def _from_the_centre(times: bytes) -> _Centre:
    """The part of the algorithm that knows no place: nine tenths of the work, done once for all sites of a night."""
    at = np.frombuffer(times, dtype=np.float64)
    jd = spa.julian_day(at)
    jc = spa.julian_century(jd)
    jce = spa.julian_ephemeris_century(spa.julian_ephemeris_day(jd, _DELTA_T))
    jme = spa.julian_ephemeris_millennium(jce)
    distance = spa.heliocentric_radius_vector(jme)
    longitude = spa.geocentric_longitude(spa.heliocentric_longitude(jme))
    latitude = spa.geocentric_latitude(spa.heliocentric_latitude(jme))
    moves = (
        spa.mean_elongation, spa.mean_anomaly_sun, spa.mean_anomaly_moon, spa.moon_argument_latitude,
        spa.moon_ascending_longitude,
    )  # fmt: skip
    nutation = np.empty((2, at.size))
    spa.longitude_obliquity_nutation(jce, *(move(jce) for move in moves), nutation)
    obliquity = spa.true_ecliptic_obliquity(spa.mean_ecliptic_obliquity(jme), nutation[1])
    apparent = spa.apparent_sun_longitude(longitude, nutation[0], spa.aberration_correction(distance))
    days = at.astype(np.int64).astype("datetime64[s]")
    day_of_year = ((days - days.astype("datetime64[Y]")) / np.timedelta64(1, "D") + 1.0).astype(np.float64)
    found = _Centre(
        distance_au=distance,
        sidereal_deg=spa.apparent_sidereal_time(spa.mean_sidereal_time(jd, jc), nutation[0], obliquity),
        right_ascension_deg=spa.geocentric_sun_right_ascension(apparent, obliquity, latitude),
        declination_deg=spa.geocentric_sun_declination(apparent, obliquity, latitude),
        dni_extra=np.asarray(irradiance.get_extra_radiation(np.floor(day_of_year))),
        day_of_year=day_of_year,
    )
    for field in fields(found):
        getattr(found, field.name).flags.writeable = False  # many sites look at it
    return found


def _from_the_place(
    seen: _Centre, latitude: float, longitude: float, altitude_m: float, pressure_hpa: float
) -> tuple[Values, Values]:
    """Apparent zenith and azimuth [deg] at a place."""
    hour_angle = spa.local_hour_angle(seen.sidereal_deg, longitude, seen.right_ascension_deg)
    parallax = spa.equatorial_horizontal_parallax(seen.distance_au)
    u = spa.uterm(latitude)
    x, y = spa.xterm(u, latitude, altitude_m), spa.yterm(u, latitude, altitude_m)
    moved = spa.parallax_sun_right_ascension(x, parallax, hour_angle, seen.declination_deg)
    declination = spa.topocentric_sun_declination(seen.declination_deg, x, y, parallax, moved, hour_angle)
    hour_angle = spa.topocentric_local_hour_angle(hour_angle, moved)
    bare = spa.topocentric_elevation_angle_without_atmosphere(latitude, declination, hour_angle)
    lifted = spa.atmospheric_refraction_correction(pressure_hpa, 12.0, bare, _REFRACTION_AT_HORIZON_DEG)
    zenith = spa.topocentric_zenith_angle(spa.topocentric_elevation_angle(bare, lifted))
    azimuth = spa.topocentric_azimuth_angle(spa.topocentric_astronomers_azimuth(hour_angle, declination, latitude))
    return np.asarray(zenith), np.asarray(azimuth)
