"""The kinds of homes in a demo fleet. A new kind is a function and a line in the cast."""

from __future__ import annotations

from collections.abc import Callable
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


# Kind of home, and its trouble (a key of TROUBLES). A larger fleet goes round, with the strings of later twins sound.
CAST: tuple[tuple[Callable[[Ground], Home], str | None], ...] = (
    (twin, "failed_string"), (east_west, None), (alone, "missing_data"), (electronic, None),
    (two_inverters, "inverter_gone"), (weathered, "inverter_off"), (watched, None), (treed, None),
)  # fmt: skip


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
