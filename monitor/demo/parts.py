"""Draws the parts of demo homes: planes, strings, inverters, columns, obstructions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.demo.chance import bounded
from monitor.demo.devices import InverterMake
from monitor.demo.manners import Dialect
from monitor.demo.plans import Column, Converter, Gauge, Roof, Wire
from monitor.demo.roof import Mounting
from monitor.demo.shade import Obstruction
from monitor.demo.strings import Hidden, Module

DECIMALS = {"V": 1, "A": 2, "W": 0, "kW": 3, "kWh": 2}


def draw_roof(rng: np.random.Generator, key: str, azimuth_deg: float, *obstructions: Obstruction) -> Roof:
    """A plane near an azimuth, stated in whole degrees and built a little otherwise."""
    return Roof(
        id=key,
        tilt_deg=float(rng.integers(25, 43)),
        azimuth_deg=float(round(azimuth_deg + rng.uniform(-12.0, 12.0))),
        tilt_off_deg=bounded(rng, 1.2, 3.0),
        azimuth_off_deg=bounded(rng, 2.5, 7.0),
        obstructions=obstructions,
    )


def draw_wire(
    rng: np.random.Generator, key: str, inverter: str, roof: str, modules: int, module: Module, electronic: bool = False
) -> Wire:
    """A string of so many modules, with its hidden errors and those of its sensors."""
    return Wire(
        id=key,
        inverter=inverter,
        roof=roof,
        modules=modules,
        electronic=electronic,
        module=module,
        hidden=Hidden(
            gain=1.0 + bounded(rng, 0.012, 0.03),
            tilt_off_deg=bounded(rng, 0.2, 0.5),
            azimuth_off_deg=bounded(rng, 0.3, 0.8),
            gamma_factor=1.0 + bounded(rng, 0.04, 0.08),
            module_gains=tuple(1.0 + bounded(rng, 0.008, 0.02) for _ in range(modules)),
        ),
        current_gain=1.0 + bounded(rng, 0.01, 0.02),
        voltage_gain=1.0 + bounded(rng, 0.005, 0.01),
    )


def draw_converter(rng: np.random.Generator, key: str, wires: Sequence[Wire], ratio: float) -> Converter:
    """An inverter rated at a share of its strings' power."""
    rated = sum(w.rated_w for w in wires if w.inverter == key)
    make = InverterMake(
        rated_w=100.0 * round(ratio * rated / 100.0),
        starts_at_w=rng.uniform(10.0, 40.0),
        own_use_w=rng.uniform(5.0, 14.0),
        linear_loss=rng.uniform(0.008, 0.015),
        square_loss=rng.uniform(0.012, 0.022),
        night_w=-4.0,
    )
    return Converter(key, make, 1.0 + bounded(rng, 0.008, 0.02))


def draw_gauge(rng: np.random.Generator, key: str, inverter: str | None) -> Gauge:
    """A meter, good to half a per cent; without an inverter it is the grid's."""
    return Gauge(key, "grid" if inverter is None else "generation", inverter, 1.0 + bounded(rng, 0.003, 0.005))


def draw_mounting(rng: np.random.Generator) -> Mounting:
    """Rails a hand's breadth above the tiles."""
    return Mounting(rng.uniform(17.0, 23.0), rng.uniform(3.0, 5.0), rng.uniform(8.0, 15.0))


def string_columns(wires: Sequence[Wire], dialect: Dialect, *quantities: str) -> tuple[Column, ...]:
    """Columns of strings in order."""
    units = {"dc_voltage": "V", "dc_current": "A", "dc_power": "W"}
    return tuple(
        Column(dialect.name(q, n, units[q]), f"string:{w.id}", q, units[q], DECIMALS[units[q]])
        for n, w in enumerate(wires, 1)
        for q in quantities
    )


def inverter_columns(
    rng: np.random.Generator,
    inverter: str,
    dialect: Dialect,
    *,
    unit: str = "W",
    resets: bool = False,
    volts: bool = True,
) -> tuple[Column, ...]:
    """AC power, the energy counter and perhaps the mains' voltage."""
    of = f"inverter:{inverter}"
    starts_at = 0.0 if resets else float(rng.uniform(0.0, 40.0))
    columns = (
        Column(dialect.name("ac_power", 1, unit), of, "ac_power", unit, DECIMALS[unit]),
        Column(dialect.name("ac_energy", 1, "kWh"), of, "ac_energy", "kWh", 2, "counter", starts_at, resets),
    )
    return (*columns, Column(dialect.name("ac_voltage", 1, "V"), of, "ac_voltage", "V", 1)) if volts else columns


def chimney(rng: np.random.Generator) -> Obstruction:
    """A stack before the roof: narrow, low sun only."""
    middle, half, top = rng.uniform(120.0, 240.0), rng.uniform(4.0, 8.0), rng.uniform(26.0, 40.0)
    outline = ((middle - half, 0.0), (middle - half + 0.5, top), (middle + half - 0.5, top), (middle + half, 0.0))
    return Obstruction("chimney", outline, reach=rng.uniform(0.2, 0.4))


def tree(rng: np.random.Generator) -> Obstruction:
    """A crown to the south-east or south-west, bare in winter."""
    middle = rng.choice([130.0, 230.0]) + rng.uniform(-15.0, 15.0)
    outline = crown(middle, rng.uniform(14.0, 24.0), rng.uniform(20.0, 32.0))
    return Obstruction("tree", outline, reach=rng.uniform(0.6, 1.0), lets_through=0.12, lets_through_bare=0.5)


def crown(middle_deg: float, half_deg: float, top_deg: float) -> tuple[tuple[float, float], ...]:
    """The round outline of a tree."""
    across = np.linspace(-1.0, 1.0, 9)
    return tuple((float(middle_deg + half_deg * x), float(top_deg * np.sqrt(max(1.0 - x * x, 0.0)))) for x in across)


def house_beside(rng: np.random.Generator, middle_deg: float) -> Obstruction:
    """A neighbour's house with a ridge, to one side of the roof."""
    half, top = rng.uniform(14.0, 22.0), rng.uniform(20.0, 30.0)
    outline = ((middle_deg - half, 0.7 * top), (middle_deg, top), (middle_deg + half, 0.7 * top))
    return Obstruction("house", outline, reach=rng.uniform(0.7, 1.0))
