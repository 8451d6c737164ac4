"""Inverters that are off, silent, or driven from the grid."""

from __future__ import annotations

from monitor.demo.effects import Effect
from monitor.demo.production import TRIPS_AT_V
from monitor.demo.troubles.base import Happening, Scene, Trouble


def inverter_off(scene: Scene) -> Happening:
    """An inverter is off for some days; its rows go on and say zero."""
    inverter = f"inverter:{scene.home.converters[int(scene.rng.integers(len(scene.home.converters)))].id}"
    first, last = scene.some_days(int(scene.rng.integers(4, 12)))
    note = "off until somebody reset it; its rows went on at zero"
    return Happening(
        Trouble(scene.home.id, inverter, "inverter_outage", first, last, note),
        (scene.during("off", inverter, first, last),),
    )


def inverter_gone(scene: Scene) -> Happening:
    """An inverter is off and says nothing, while its generation meter goes on and counts nothing."""
    converter = scene.home.converters[int(scene.rng.integers(len(scene.home.converters)))]
    inverter = f"inverter:{converter.id}"
    first, last = scene.some_days(int(scene.rng.integers(5, 14)))
    off = scene.during("off", inverter, first, last)
    silent = Effect("silent", f"source:{converter.id}-log", off.first, off.last)
    note = "off and without rows of its own; the generation meter counted nothing"
    return Happening(Trouble(scene.home.id, inverter, "inverter_outage", first, last, note), (off, silent))


def missing_data(scene: Scene) -> Happening:
    """The inverter's log has a gap of some days; its counter has gone on meanwhile."""
    source = f"source:{scene.home.exports[0].id}"
    first, last = scene.some_days(int(scene.rng.integers(5, 12)))
    note = "nothing recorded; the energy counter had gone on when the rows came back"
    also = tuple(f"inverter:{c.id}" for c in scene.home.converters)
    return Happening(
        Trouble(scene.home.id, source, "missing_data", first, last, note, also=also),
        (scene.during("silent", source, first, last),),
    )


def grid_voltage_trip(scene: Scene) -> Happening:
    """New roofs in the street lift the voltage in the sun; the inverter lets go of the grid again and again."""
    converter = scene.home.converters[int(scene.rng.integers(len(scene.home.converters)))]
    inverter, number = f"inverter:{converter.id}", scene.some_day(100, (2, 5))
    reaches = float(scene.rng.uniform(TRIPS_AT_V, TRIPS_AT_V + 2.5))
    first = scene.span.day(number)
    note = f"the street reaches {reaches:.0f} V in full sun; the inverter lets go at {TRIPS_AT_V:.0f} V"
    return Happening(
        Trouble(scene.home.id, inverter, "grid_voltage_trip", first, None, note, also=("site",)),
        (Effect("street", inverter, (first, 0.0), None, ((0.0, reaches),)),),
    )
