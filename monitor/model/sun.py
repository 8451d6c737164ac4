"""Where the sun stands, once per site and span."""

from __future__ import annotations

from dataclasses import dataclass

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
    zenith, _, _, _, azimuth, _ = spa.solar_position(
        np.asarray(times, dtype=np.float64),
        latitude,
        longitude,
        altitude_m,
        pressure / 100.0,
        12.0,
        _DELTA_T,
        _REFRACTION_AT_HORIZON_DEG,
    )
    days = np.asarray(times, dtype=np.int64).astype("datetime64[s]")
    day_of_year = ((days - days.astype("datetime64[Y]")) / np.timedelta64(1, "D") + 1.0).astype(np.float64)
    relative = atmosphere.get_relative_airmass(np.where(zenith < 90.0, zenith, np.nan), "kastenyoung1989")
    return Sun(
        zenith_deg=zenith,
        azimuth_deg=azimuth,
        cos_zenith=np.maximum(np.cos(np.radians(zenith)), 0.0),
        dni_extra=np.asarray(irradiance.get_extra_radiation(np.floor(day_of_year))),
        airmass=np.asarray(atmosphere.get_absolute_airmass(relative, pressure)),
        day_of_year=day_of_year,
    )
