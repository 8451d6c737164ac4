"""Runs a home through its weather: what truly flows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from monitor.demo.chance import Flags, Floats, stream
from monitor.demo.devices import (
    Street,
    draw_street,
    household_load,
    idle_for,
    run_inverter,
    shares_between_trips,
)
from monitor.demo.effects import Effect, What, affected, chosen, size_of
from monitor.demo.plans import Converter, Home, Wire
from monitor.demo.roof import PlaneLight, cell_temperature, light_on
from monitor.demo.shade import Rising, Shade, shade_on
from monitor.demo.span import Span
from monitor.demo.strings import Ailment, StringState, electronic_state, wired_state
from monitor.demo.weather import Weather, snow_on_roof

TRIPS_AT_V = 253.0


@dataclass(frozen=True, eq=False)
class Run:
    """One home in its weather, with what happens to it."""

    home: Home
    span: Span
    weather: Weather
    effects: Sequence[Effect]
    seed: int

    def full(self, lit: Floats, night: float = 0.0) -> Floats:
        """Values of the lit steps on all steps."""
        values = np.full(len(self.span), night)
        values[self.weather.sun.lit] = lit
        return values

    def held(self, what: What, subject: str) -> Flags:
        """Lit steps on which an effect holds."""
        return affected(self.span, self.effects, what, subject)[self.weather.sun.lit]

    def size(self, what: What, subject: str) -> Floats:
        """Size of an effect on the lit steps."""
        return size_of(self.span, self.effects, what, subject)[self.weather.sun.lit]

    def noise(self, *names: object) -> np.random.Generator:
        """Chance of its own for a part of this home."""
        return stream(self.seed, self.home.id, *names)


@dataclass(frozen=True, eq=False)
class Lit:
    """Light on a string, and its cells' temperature on all steps."""

    light: PlaneLight
    shade: Shade
    cell_c: Floats


@dataclass(frozen=True, eq=False)
class Flows:
    """What truly flows in a home."""

    ac_w: dict[str, Floats]  # by inverter, on all steps
    strings: dict[str, StringState]
    lit: dict[str, Lit]  # by string
    streets: dict[str, Street]
    load_w: Floats
    withheld_w: dict[str, Floats] = field(default_factory=dict)  # by inverter: what a limit kept from being made


def flows_of(run: Run) -> Flows:
    """Let the home run."""
    load = household_load(run.span, run.noise("household")) + size_of(run.span, run.effects, "load", "site")
    flows = Flows({}, {}, {}, {}, load)
    for converter in run.home.converters:
        _operate(run, converter, flows)
    return flows


def lit_string(run: Run, wire: Wire) -> Lit:
    """Light on a string."""
    roof, weather = run.home.roof(wire.roof), run.weather
    plane = (
        roof.tilt_deg + roof.tilt_off_deg + wire.hidden.tilt_off_deg,
        roof.azimuth_deg + roof.azimuth_off_deg + wire.hidden.azimuth_off_deg,
    )
    rising = [
        Rising(one.rising, one.sizes(run.span)[weather.sun.lit])
        for one in chosen(run.effects, "shade", f"plane:{roof.id}")
        if one.rising is not None
    ]
    shade = shade_on(roof.obstructions, weather.sun, run.span.year_angle, plane, rising)
    snow = snow_on_roof(weather, roof.tilt_deg, run.home.snow_patience)
    light = light_on(weather.sun, weather.light, plane, shade, snow)
    cell_c = cell_temperature(run.full(light.bright), weather.temperature_c, weather.wind_m_s, run.home.mounting)
    return Lit(light, shade, cell_c)


def _working(run: Run, wire: Wire, lit: Lit) -> StringState:
    """A string's operating point."""
    string, modules = f"string:{wire.id}", range(1, wire.modules + 1)
    ailment = Ailment(
        clean=1.0 - run.size("dirt", f"plane:{wire.roof}"),
        bypassed=run.size("bypassed", string) / wire.modules,
        series_ohm=run.size("series_ohm", string),
        module_light={n: 1.0 - s for n in modules if (s := run.size("module_dim", f"module:{wire.id}/{n:02d}")).any()},
        module_part={n: 1.0 - s for n in modules if (s := run.size("module_part", f"module:{wire.id}/{n:02d}")).any()},
    )
    solve = electronic_state if wire.electronic else wired_state
    return solve(wire.module, wire.hidden, lit.light, lit.shade, lit.cell_c[run.weather.sun.lit], ailment)


def _operate(run: Run, converter: Converter, flows: Flows) -> None:
    """An inverter with its strings, some of which may be open; and off where it is off or lets go of the grid."""
    strings: dict[str, StringState] = {}
    volts: dict[str, tuple[Flags, Flags]] = {}
    for wire in run.home.wired_to(converter.id):
        lit = flows.lit[wire.id] = lit_string(run, wire)
        state, string = _working(run, wire, lit), f"string:{wire.id}"
        opens_at = run.size("open_warm", string)
        warm = (opens_at > 0.0) & (lit.cell_c[run.weather.sun.lit] > opens_at)
        dead, mute = run.held("open", string) | warm, run.held("open_no_volts", string)
        strings[wire.id] = replace(state, current=np.where(dead | mute, 0.0, state.current))
        volts[wire.id] = (dead, mute)
    subject, make = f"inverter:{converter.id}", converter.make
    ran = run_inverter(make, strings, _allowed_w(run, flows))
    off = run.held("off", subject)
    flows.streets[converter.id], connected = _street(run, converter, ran.ac_w)
    if connected is not None:
        ran = idle_for(ran, connected)
    flows.withheld_w[converter.id] = np.where(off, 0.0, ran.withheld_w)
    true_w = run.full(np.where(off, 0.0, ran.ac_w), make.night_w)
    true_w[affected(run.span, run.effects, "off", subject)] = 0.0
    flows.ac_w[converter.id] = true_w
    for key, state in ran.strings.items():
        dead, mute = volts[key]
        flows.strings[key] = _stopped(state, off | dead, off | dead | mute, mute)


def _allowed_w(run: Run, flows: Flows) -> float | Floats:
    """What the house takes and the export limit allow to be made."""
    if run.home.export_limit_w is None:
        return np.inf
    return (flows.load_w + run.home.export_limit_w)[run.weather.sun.lit]


def _street(run: Run, converter: Converter, ac_w: Floats) -> tuple[Street, Floats | None]:
    """The grid at an inverter, and the share of each lit step for which it holds on to it, where it ever lets go.

    The street's other roofs lift the voltage with the sun that they have.
    """
    street, lit = draw_street(run.span, run.noise("street", converter.id)), run.weather.sun.lit
    reaches = run.size("street", f"inverter:{converter.id}")
    if not reaches.any():
        return street, None
    own = street.loop_ohm * converter.make.rated_w / 235.0
    sun = np.clip(run.weather.light.ghi / 800.0, 0.0, 1.1)
    lift = run.full(np.where(reaches > 0.0, np.maximum(reaches - street.level - own, 0.0) * sun, 0.0))
    lifted = replace(street, idle=street.idle + lift)
    meets = np.where(reaches > 0.0, lifted.at(run.full(ac_w))[lit], 0.0)
    return lifted, shares_between_trips(meets, TRIPS_AT_V, run.noise("trips", converter.id))


def _stopped(state: StringState, unloaded: Flags, stopped: Flags, no_volts: Flags) -> StringState:
    """A string with nothing flowing where it is stopped: at open circuit, or without a voltage."""
    power = state.module_power
    return replace(
        state,
        voltage=np.where(no_volts, 0.0, np.where(unloaded, state.open_voltage, state.voltage)),
        current=np.where(stopped, 0.0, state.current),
        module_power=None if power is None else np.where(stopped, 0.0, power),
    )
