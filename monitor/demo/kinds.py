"""The kinds of homes in a demo fleet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from monitor.demo.manners import PLAIN_UTC, Dialect
from monitor.demo.parts import (
    chimney,
    draw_converter,
    draw_gauge,
    draw_mounting,
    draw_roof,
    draw_wire,
    house_beside,
    inverter_columns,
    string_columns,
    tree,
)  # fmt: skip
from monitor.demo.plans import Column, Converter, Export, Gauge, Home, Roof, Wire
from monitor.demo.strings import draw_module
from monitor.demo.weather import Place

SHARED_LAYOUT = "two_strings"


@dataclass(frozen=True, slots=True)
class Ground:
    """What a kind of home starts from."""

    rng: np.random.Generator
    id: str
    name: str
    place: Place
    stated: tuple[float, float]
    commissioned: date
    dialect: Dialect
    shared: Dialect  # of the layout that several homes share


def twin(ground: Ground) -> Home:
    """Two like strings on one plane, volts and amperes of both, in the shared layout."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    roof = draw_roof(rng, "south", 180.0)
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", modules, module) for n in (1, 2))
    return _home(ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.92),), (_shared(ground, wires),), "")


def east_west(ground: Ground) -> Home:
    """One string to the east and one to the west, in the shared layout."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    roofs = draw_roof(rng, "east", 88.0), draw_roof(rng, "west", 272.0)
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", r.id, modules, module) for n, r in enumerate(roofs, 1))
    converter = draw_converter(rng, "inv1", wires, 0.85)
    return _home(
        ground, roofs, wires, (converter,), (_shared(ground, wires),),
        "strings to the east and to the west, so one always lags behind the other",
    )  # fmt: skip


def alone(ground: Ground) -> Home:
    """One string, of which only the AC side is recorded, and a meter at the grid connection."""
    rng = ground.rng
    roof = draw_roof(rng, "south", 185.0)
    wires = (draw_wire(rng, "s1", "inv1", "south", int(rng.integers(8, 13)), draw_module(rng)),)
    grid = Export(
        "grid-log", "grid", 30, replace(PLAIN_UTC, time_column="half_hour_utc"),
        tuple(Column(f"{w}_kwh", "meter:grid1", f"{w}_energy", "kWh", 3, "interval") for w in ("import", "export")),
    )  # fmt: skip
    log = Export("inv1-log", "inv1", 5, ground.dialect, inverter_columns(rng, "inv1", ground.dialect, volts=False))
    return _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.9),), (log, grid), "",
        gauges=(draw_gauge(rng, "grid1", None),),
    )  # fmt: skip


def electronic(ground: Ground) -> Home:
    """Modules that convert their power each for itself and report it, with a chimney before them."""
    rng, modules = ground.rng, int(ground.rng.integers(9, 14))
    roof = draw_roof(rng, "south", 175.0, chimney(rng))
    wires = (draw_wire(rng, "s1", "inv1", "south", modules, draw_module(rng), electronic=True),)
    log = Export("inv1-log", "inv1", 5, ground.dialect, inverter_columns(rng, "inv1", ground.dialect))
    numbers = range(1, modules + 1)
    columns = tuple(Column(f"s1-{n:02d}", f"module:s1/{n:02d}", "dc_power", "W", 1) for n in numbers)
    table = Export("modules", "modules", 15, PLAIN_UTC, columns, shape="long")
    return _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.95),), (log, table),
        "a chimney that stood before the modules from the first day",
    )  # fmt: skip


def two_inverters(ground: Ground) -> Home:
    """Two inverters, each with a log and a generation meter of its own; one meter is read as registers."""
    rng, module = ground.rng, draw_module(ground.rng)
    roofs = draw_roof(rng, "south", 182.0), draw_roof(rng, "side", float(rng.choice([105.0, 255.0])))
    wires = tuple(
        draw_wire(rng, f"s{n}", f"inv{n}", r.id, int(rng.integers(7, 12)), module) for n, r in enumerate(roofs, 1)
    )
    converters = tuple(draw_converter(rng, f"inv{n}", wires, 0.9) for n in (1, 2))
    logs = tuple(
        Export(f"inv{n}-log", f"inv{n}", 5, ground.dialect, inverter_columns(rng, f"inv{n}", ground.dialect, unit="kW"))
        for n in (1, 2)
    )
    polled = replace(PLAIN_UTC, time_column="polled_at", marks="instant")
    registers = [Column(f"register_{n}_kwh", f"meter:gen{n}", "ac_energy", "kWh", 2, "counter", rng.uniform(0.0, 90.0))
                 for n in (1, 2)]  # fmt: skip
    meters = (
        Export("gen1-dump", "gen1", 30, polled, (registers[0],), "registers",
               unit_id=int(rng.integers(2, 40)), address=int(rng.integers(100, 900)) * 10),
        Export("gen2-log", "gen2", 30, PLAIN_UTC, (registers[1],)),
    )  # fmt: skip
    gauges = tuple(draw_gauge(rng, f"gen{n}", f"inv{n}") for n in (1, 2))
    return _home(ground, roofs, wires, converters, (*logs, *meters), "", gauges=gauges)


def weathered(ground: Ground) -> Home:
    """Two strings of different length that report power, and hourly weather as from a satellite."""
    rng, module, long = ground.rng, draw_module(ground.rng), int(ground.rng.integers(8, 12))
    roof = draw_roof(rng, "south", 178.0)
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", k, module) for n, k in ((1, long), (2, long - 2)))
    dialect = ground.dialect
    columns = (*string_columns(wires, dialect, "dc_power"), *inverter_columns(rng, "inv1", dialect))
    weather = [Column(q[11:], "site", q, "W/m2", 0) for q in ("irradiance_ghi", "irradiance_dni", "irradiance_dhi")]
    weather.append(Column("temp_air", "site", "temperature_air", "degC", 1))
    exports = (
        Export("inv1-log", "inv1", 5, dialect, columns),
        Export("weather", "weather", 60, PLAIN_UTC, tuple(weather)),
    )
    return _home(ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.9),), exports, "")


def watched(ground: Ground) -> Home:
    """Two like strings at a quarter of an hour, an inverter that is too small, and a sensor in the plane."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    roof = draw_roof(rng, "south", 180.0)
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", modules, module) for n in (1, 2))
    dialect = ground.dialect
    columns = (
        *string_columns(wires, dialect, "dc_voltage", "dc_current"), *inverter_columns(rng, "inv1", dialect, unit="kW"),
    )  # fmt: skip
    sensor = (
        Column("in_plane", "site", "irradiance_poa", "W/m2", 1),
        Column("module_temp", "site", "temperature_module", "degC", 1),
    )
    exports = Export("inv1-log", "inv1", 15, dialect, columns), Export("sensor", "sensor", 5, PLAIN_UTC, sensor)
    converter = draw_converter(rng, "inv1", wires, rng.uniform(0.68, 0.74))
    return _home(ground, (roof,), wires, (converter,), exports, "a small inverter that clips on bright days")


def treed(ground: Ground) -> Home:
    """One string behind a tree, daily files, and a counter that starts at zero every day."""
    rng, dialect = ground.rng, replace(ground.dialect, files="day")
    roof = draw_roof(rng, "south", 180.0, tree(rng))
    wires = (draw_wire(rng, "s1", "inv1", "south", int(rng.integers(9, 14)), draw_module(rng)),)
    columns = (
        *string_columns(wires, dialect, "dc_voltage", "dc_current"),
        *inverter_columns(rng, "inv1", dialect, resets=True),
    )  # fmt: skip
    exports = (Export("inv1-log", "inv1", 5, dialect, columns),)
    return _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.9),), exports,
        "a tree that was there from the first day, bare in winter",
    )  # fmt: skip


def two_pitches(ground: Ground) -> Home:
    """Modules that convert their power each for itself, on a south pitch and one to the side, nothing before them."""
    rng, module = ground.rng, draw_module(ground.rng)
    roofs = draw_roof(rng, "south", 182.0), draw_roof(rng, "side", float(rng.choice([95.0, 265.0])))
    wires = tuple(
        draw_wire(rng, f"s{n}", "inv1", r.id, int(rng.integers(5, 9)), module, electronic=True)
        for n, r in enumerate(roofs, 1)
    )
    log = Export("inv1-log", "inv1", 5, ground.dialect, inverter_columns(rng, "inv1", ground.dialect))
    keys = [(w.id, n) for w in wires for n in range(1, w.modules + 1)]
    columns = tuple(Column(f"{s}-{n:02d}", f"module:{s}/{n:02d}", "dc_power", "W", 1) for s, n in keys)
    table = Export("modules", "modules", 15, PLAIN_UTC, columns, shape="long")
    return _home(
        ground, roofs, wires, (draw_converter(rng, "inv1", wires, 0.92),), (log, table),
        "modules on two pitches, of which one always lags behind the other",
    )  # fmt: skip


def hemmed(ground: Ground) -> Home:
    """Two strings side by side on one pitch between two houses: one lacks the morning, the other the evening."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    left = draw_roof(rng, "left", 180.0, house_beside(rng, rng.uniform(85.0, 110.0)))
    right = replace(left, id="right", obstructions=(house_beside(rng, rng.uniform(250.0, 275.0)),))
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", r.id, modules, module) for n, r in enumerate((left, right), 1))
    converter = draw_converter(rng, "inv1", wires, 0.92)
    return _home(
        ground, (left, right), wires, (converter,), (_shared(ground, wires),),
        "between two houses: one string lacks the morning sun, the other the evening sun",
    )  # fmt: skip


def coarse(ground: Ground) -> Home:
    """Two strings whose devices round everything: volts, tenths of an ampere, fifty watts."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    roof, dialect = draw_roof(rng, "south", 172.0), ground.dialect
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", modules, module) for n in (1, 2))
    steps = {"dc_voltage": 1.0, "dc_current": 0.1, "ac_power": 50.0, "ac_voltage": 1.0, "ac_energy": 0.1}
    columns = (*string_columns(wires, dialect, "dc_voltage", "dc_current"), *inverter_columns(rng, "inv1", dialect))
    rounded = tuple(replace(c, step=steps[c.quantity]) for c in columns)
    log = Export("inv1-log", "inv1", 5, dialect, rounded)
    return _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.9),), (log,),
        "devices that round to whole volts, tenths of an ampere, fifty watts and tenths of a kWh",
    )  # fmt: skip


def metered(ground: Ground) -> Home:
    """Two strings of which power is known, a generation meter, and a grid meter that tells import and export power."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    roof, dialect = draw_roof(rng, "south", 190.0), ground.dialect
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", modules, module) for n in (1, 2))
    columns = (*string_columns(wires, dialect, "dc_power"), *inverter_columns(rng, "inv1", dialect))
    made = Column("made_kwh", "meter:gen1", "ac_energy", "kWh", 2, "counter", rng.uniform(0.0, 90.0))
    exports = (
        Export("inv1-log", "inv1", 5, dialect, columns),
        Export("gen1-log", "gen1", 30, PLAIN_UTC, (made,)),
        Export("grid-log", "grid", 5, PLAIN_UTC,
               tuple(Column(f"{w}_w", "meter:grid1", f"{w}_power", "W", 0) for w in ("import", "export"))),
    )  # fmt: skip
    return _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.9),), exports, "",
        gauges=(draw_gauge(rng, "gen1", "inv1"), draw_gauge(rng, "grid1", None)),
    )  # fmt: skip


def limited(ground: Ground) -> Home:
    """More modules than the grid takes: the inverter gives what the house needs and a little more."""
    rng, module = ground.rng, draw_module(ground.rng)
    roof, dialect = draw_roof(rng, "south", 180.0), ground.dialect
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", int(rng.integers(9, 12)), module) for n in (1, 2))
    columns = (
        *string_columns(wires, dialect, "dc_voltage", "dc_current"), *inverter_columns(rng, "inv1", dialect),
    )  # fmt: skip
    exports = (
        Export("inv1-log", "inv1", 5, dialect, columns),
        Export("grid-log", "grid", 5, PLAIN_UTC,
               tuple(Column(f"{w}_w", "meter:grid1", f"{w}_power", "W", 0) for w in ("import", "export"))),
    )  # fmt: skip
    home = _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.92),), exports,
        "an export limit that holds the roof back on bright days", gauges=(draw_gauge(rng, "grid1", None),),
    )  # fmt: skip
    return replace(home, export_limit_w=float(rng.choice([3680.0, 5000.0])))


def snowy(ground: Ground) -> Home:
    """Two strings of power on a flat pitch where snow lies on for days in milder air, and a thermometer."""
    rng, module, modules = ground.rng, draw_module(ground.rng), int(ground.rng.integers(7, 11))
    roof, dialect = replace(draw_roof(rng, "south", 180.0), tilt_deg=float(rng.integers(15, 21))), ground.dialect
    wires = tuple(draw_wire(rng, f"s{n}", "inv1", "south", modules, module) for n in (1, 2))
    columns = (*string_columns(wires, dialect, "dc_power"), *inverter_columns(rng, "inv1", dialect))
    log = Export("inv1-log", "inv1", 5, dialect, columns)
    home = _home(
        ground, (roof,), wires, (draw_converter(rng, "inv1", wires, 0.9),), (log,),
        "a flat pitch on which snow stays for days while the air is above freezing",
    )  # fmt: skip
    return replace(home, snow_patience=float(rng.uniform(8.0, 14.0)))


def _shared(ground: Ground, wires: tuple[Wire, ...]) -> Export:
    """Both homes of the shared layout have these columns, whatever else they draw."""
    dialect, rng = ground.shared, np.random.default_rng(0)
    columns = (*string_columns(wires, dialect, "dc_voltage", "dc_current"), *inverter_columns(rng, "inv1", dialect))
    return Export("inv1-log", "inv1", 5, dialect, columns, layout=SHARED_LAYOUT)


def _home(
    ground: Ground, roofs: tuple[Roof, ...], wires: tuple[Wire, ...], converters: tuple[Converter, ...],
    exports: tuple[Export, ...], awkward: str, *, gauges: tuple[Gauge, ...] = (),
) -> Home:  # fmt: skip
    rng = ground.rng
    rated_kw = sum(w.rated_w for w in wires) / 1000.0
    return Home(
        id=ground.id, name=ground.name, place=ground.place, stated=ground.stated, commissioned=ground.commissioned,
        roofs=roofs, wires=wires, converters=converters, gauges=gauges, exports=exports,
        mounting=draw_mounting(rng),
        tariff=(round(rng.uniform(0.22, 0.32), 3), round(rng.uniform(0.04, 0.16), 3)) if rng.random() < 0.75 else None,
        quoted_kwh=round(rated_kw * rng.uniform(860.0, 960.0) / 50.0) * 50 if rng.random() < 0.6 else None,
        awkward=awkward,
    )  # fmt: skip
