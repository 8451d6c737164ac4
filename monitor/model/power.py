"""From irradiance on the cells to direct and alternating current power."""

from __future__ import annotations

import numpy as np
from pvlib import inverter, pvsystem, temperature

from ingest.readings import Values

# Heat loss of a roof-parallel array by Faiman's formula [W/m2/K] and [W/m2/K per m/s], fitted to the roof-mounted
# year of NREL's reference hourly run (residual 1.1 K at more than 400 W/m2).
ROOF_U0, ROOF_U1 = 22.6, 4.5
# Wind at a roof is unknown in nearly every home; a light breeze in the lee of the ridge (assumption).
WIND_M_S = 1.5
# Wind at a house's roof over that at 10 m in the open, which weather series tell (two storeys; the factor of SAM's
# NOCT model, as in pvlib's `noct_sam`).
ROOF_WIND = 0.61
# Mismatch, cables and dirt of an ordinary home between nameplate and inverter; the learned gain replaces it.
SYSTEM_FACTOR = 0.95


def climatological_air_temperature(times: Values, *, latitude: float, longitude: float) -> Values:
    """Rough air temperature where nobody measures it.

    A yearly mean and swing by latitude with a daily swing by solar time. It is wrong by 5 K on an ordinary day, which
    moves silicon power by about 2 %.

    Parameters
    ----------
    times : array of shape (T,)
        UTC epoch seconds.
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    array of shape (T,)
        Degrees Celsius.

    Notes
    -----
    Fitted by eye to climate normals of towns at sea level, from memory: 52 N 10 +- 7, 40 N 14 +- 9, 0 N 27 +- 1.
    """
    size = abs(latitude)
    mean, swing = 29.0 - 0.37 * size, min(0.15 * size, 12.0)
    year_phase = 2.0 * np.pi * (times / 86400.0 % 365.2425) / 365.2425
    warmest = np.cos(year_phase - 2.0 * np.pi * 200.0 / 365.2425) * (1.0 if latitude >= 0.0 else -1.0)
    solar_hour = (times / 3600.0 + longitude / 15.0) % 24.0
    return np.asarray(mean + swing * warmest + 4.0 * np.cos(2.0 * np.pi * (solar_hour - 15.0) / 24.0))


def cell_temperature(
    plane_w_m2: Values, air_c: Values, wind_m_s: Values | float = WIND_M_S, *, u0: float = ROOF_U0, u1: float = ROOF_U1
) -> Values:
    """Cell temperature [degC] from plane irradiance [W/m2], air [degC] and wind [m/s].

    `u0` and `u1` are the heat loss factors; the defaults are those of a roof-parallel array.

    References
    ----------
    Faiman, Progress in Photovoltaics 16 (2008) 307, doi 10.1002/pip.813.
    """
    return np.asarray(temperature.faiman(plane_w_m2, air_c, wind_m_s, u0, u1))


def dc_power(effective_w_m2: Values, cell_c: Values, *, rated_w: float, gamma_per_c: float) -> Values:
    """Direct current power of a string [W].

    Parameters
    ----------
    effective_w_m2 : array
        Irradiance that reaches the cells.
    cell_c : array
        Cell temperature [degC].
    rated_w : float
        Nameplate at standard test conditions [W].
    gamma_per_c : float
        Temperature coefficient of power [1/K], negative for silicon.

    References
    ----------
    Dobos, "PVWatts version 5 manual", NREL/TP-6A20-62641 (2014), eq. 8.
    """
    return np.asarray(pvsystem.pvwatts_dc(effective_w_m2, cell_c, rated_w, gamma_per_c))


def ac_power(dc_w: Values, *, rated_ac_w: float) -> Values:
    """Alternating current power of an inverter [W], not below 0 and not above its rating.

    References
    ----------
    Dobos, "PVWatts version 5 manual", NREL/TP-6A20-62641 (2014), eq. 11; nominal efficiency 0.96.
    """
    return np.asarray(np.maximum(inverter.pvwatts(dc_w, rated_ac_w / 0.96), 0.0))
