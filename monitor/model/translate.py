"""Volts and amps of a string from one light and temperature to another."""

from __future__ import annotations

from ingest.readings import Values


def current_at(current_a: Values, *, from_w_m2: Values, to_w_m2: float) -> Values:
    """Current at maximum power in another light [A].

    Parameters
    ----------
    current_a : array
        As measured.
    from_w_m2 : array
        Irradiance in the plane at that time.
    to_w_m2 : float
        Irradiance asked for.

    Notes
    -----
    IEC 60891, procedure 1, in its simplest form (from memory): current goes with irradiance. Its temperature
    coefficient, about +0.05 % a degree for silicon, is left out, since site files do not have it.
    """
    return current_a * to_w_m2 / from_w_m2


def voltage_at(voltage_v: Values, *, from_c: Values, to_c: float, per_c: float) -> Values:
    """Voltage at maximum power at another module temperature [V].

    Parameters
    ----------
    voltage_v : array
        As measured.
    from_c, to_c : array, float
        Module temperature then and asked for [degC].
    per_c : float
        Relative temperature coefficient of the voltage at 25 degC [1/K], negative for silicon.

    Notes
    -----
    IEC 60891, procedure 1, in its simplest form (from memory): linear in temperature, with the coefficient referred to
    25 degC; series resistance, curve correction and the logarithm of irradiance are left out, which costs little
    between like conditions.
    """
    return voltage_v * (1.0 + per_c * (to_c - 25.0)) / (1.0 + per_c * (from_c - 25.0))
