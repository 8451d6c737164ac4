"""The quantities and units that an export may hold (one table each, fixed by the interface)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Reads = Literal["mean", "interval", "counter"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured quantity: its dimension, and the unit that everything inside is kept to."""

    name: str
    dimension: str


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of an export: its dimension and the factor to the unit used inside."""

    name: str
    dimension: str
    factor: float


# Inside: W, kWh, V, A, Hz, W/m2, degC, %, m/s.
UNITS: dict[str, Unit] = {
    u.name: u
    for u in (
        Unit("W", "power", 1.0),
        Unit("kW", "power", 1000.0),
        Unit("Wh", "energy", 0.001),
        Unit("kWh", "energy", 1.0),
        Unit("V", "voltage", 1.0),
        Unit("A", "current", 1.0),
        Unit("Hz", "frequency", 1.0),
        Unit("W/m2", "irradiance", 1.0),
        Unit("degC", "temperature", 1.0),
        Unit("%", "share", 1.0),
        Unit("m/s", "speed", 1.0),
        Unit("1", "code", 1.0),
    )
}

QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("dc_voltage", "voltage"),
        Quantity("dc_current", "current"),
        Quantity("dc_power", "power"),
        Quantity("ac_power", "power"),
        Quantity("ac_energy", "energy"),
        Quantity("ac_voltage", "voltage"),
        Quantity("ac_frequency", "frequency"),
        Quantity("irradiance_poa", "irradiance"),
        Quantity("irradiance_ghi", "irradiance"),
        Quantity("irradiance_dni", "irradiance"),
        Quantity("irradiance_dhi", "irradiance"),
        Quantity("temperature_air", "temperature"),
        Quantity("temperature_module", "temperature"),
        Quantity("wind_speed", "speed"),
        Quantity("import_power", "power"),
        Quantity("export_power", "power"),
        Quantity("import_energy", "energy"),
        Quantity("export_energy", "energy"),
        Quantity("battery_power", "power"),
        Quantity("battery_soc", "share"),
        Quantity("diverter_power", "power"),
        Quantity("charger_power", "power"),
        Quantity("status", "code"),
    )
}


def units_for(quantity: str) -> tuple[str, ...]:
    """Names of the units that fit a quantity."""
    dimension = QUANTITIES[quantity].dimension
    return tuple(name for name, unit in UNITS.items() if unit.dimension == dimension)
