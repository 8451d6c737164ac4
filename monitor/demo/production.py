"""Runs a home through its weather: what truly flows, then what its devices say about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.demo.chance import Flags, Floats, stream
from monitor.demo.devices import InverterState, household_load, run_inverter, street_voltage
from monitor.demo.plans import Converter, Home, Wire
from monitor.demo.roof import UNDER_SNOW, PlaneLight, cell_temperature, light_on
from monitor.demo.shade import shade_on
from monitor.demo.span import Span
from monitor.demo.strings import StringState, electronic_state, wired_state
from monitor.demo.troubles import Effect, affected
from monitor.demo.weather import Weather, snow_on_roof

Said = dict[tuple[str, str], Floats]  # subject and quantity to values on all steps; energies as power [W]


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

    def held(self, what: str, subject: str) -> Flags:
        """Lit steps on which an effect holds."""
        return affected(self.span, self.effects, what, subject)[self.weather.sun.lit]

    def noise(self, *names: object) -> np.random.Generator:
        """Chance of its own for a part of this home."""
        return stream(self.seed, self.home.id, *names)


def readings_of(run: Run) -> Said:
    """Everything that the devices of a home could say."""
    said: Said = {}
    ac_w: dict[str, Floats] = {}
    for converter in run.home.converters:
        state = _operate(run, converter)
        ac_w[converter.id] = _say_inverter(run, converter, state, said)
        for wire in run.home.wired_to(converter.id):
            _say_string(run, wire, state.strings[wire.id], said)
    _say_meters(run, ac_w, said)
    _say_weather(run, said)
    return said


def _light(run: Run, wire: Wire) -> tuple[PlaneLight, Floats, StringState]:
    """Light on a string, its cells' temperature on all steps, and its operating point."""
    roof, weather = run.home.roof(wire.roof), run.weather
    plane = (
        roof.tilt_deg + roof.tilt_off_deg + wire.hidden.tilt_off_deg,
        roof.azimuth_deg + roof.azimuth_off_deg + wire.hidden.azimuth_off_deg,
    )
    shade = shade_on(roof.obstructions, weather.sun, run.span.year_angle, plane)
    light = light_on(weather.sun, weather.light, plane, shade, snow_on_roof(weather, roof.tilt_deg))
    cell_c = cell_temperature(run.full(light.bright), weather.temperature_c, weather.wind_m_s, run.home.mounting)
    solve = electronic_state if wire.electronic else wired_state
    return light, cell_c, solve(wire.module, wire.hidden, light, shade, cell_c[weather.sun.lit])


def _operate(run: Run, converter: Converter) -> InverterState:
    """An inverter with its strings, some of which may be open; and off where it is off."""
    strings, volts = {}, {}
    for wire in run.home.wired_to(converter.id):
        _, _, state = _light(run, wire)
        dead = run.held("open", f"string:{wire.id}")
        mute = run.held("open_no_volts", f"string:{wire.id}")
        strings[wire.id] = replace(state, current=np.where(dead | mute, 0.0, state.current))
        volts[wire.id] = (dead, mute)
    ran = run_inverter(converter.make, strings)
    off = run.held("off", f"inverter:{converter.id}")
    return InverterState(
        np.where(off, 0.0, ran.ac_w),
        {
            key: _stopped(state, off | volts[key][0], off | volts[key][0] | volts[key][1], volts[key][1])
            for key, state in ran.strings.items()
        },
    )


def _stopped(state: StringState, unloaded: Flags, stopped: Flags, no_volts: Flags) -> StringState:
    """A string with nothing flowing where it is stopped: at open circuit, or without a voltage."""
    power = state.module_power
    return replace(
        state,
        voltage=np.where(no_volts, 0.0, np.where(unloaded, state.open_voltage, state.voltage)),
        current=np.where(stopped, 0.0, state.current),
        module_power=None if power is None else np.where(stopped, 0.0, power),
    )


def _say_inverter(run: Run, converter: Converter, state: InverterState, said: Said) -> Floats:
    """Put down what an inverter says; returns what it truly feeds on all steps [W]."""
    true_w = run.full(state.ac_w, converter.make.night_w)
    true_w[affected(run.span, run.effects, "off", f"inverter:{converter.id}")] = 0.0
    subject = f"inverter:{converter.id}"
    said[subject, "ac_power"] = true_w * np.where(true_w > 0.0, converter.gain, 1.0)
    said[subject, "ac_energy"] = said[subject, "ac_power"]
    said[subject, "ac_voltage"] = street_voltage(run.span, true_w, run.noise("street", converter.id))
    return true_w


def _say_string(run: Run, wire: Wire, state: StringState, said: Said) -> None:
    subject, rng = f"string:{wire.id}", run.noise("noise", wire.id)
    lit = len(state.voltage)
    volts = state.voltage * wire.voltage_gain * (1.0 + 0.0015 * rng.standard_normal(lit))
    amps = state.current * wire.current_gain * (1.0 + 0.003 * rng.standard_normal(lit))
    said[subject, "dc_voltage"], said[subject, "dc_current"] = run.full(volts), run.full(amps)
    said[subject, "dc_power"] = run.full(volts * amps)
    for n, power in enumerate(state.module_power if state.module_power is not None else (), 1):
        own = 1.0 + 0.01 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
        watts = power * own * (1.0 + 0.004 * rng.standard_normal(lit))
        said[f"module:{wire.id}/{n:02d}", "dc_power"] = run.full(watts)


def _say_meters(run: Run, ac_w: dict[str, Floats], said: Said) -> None:
    for gauge in run.home.gauges:
        subject = f"meter:{gauge.id}"
        if gauge.role == "generation" and gauge.inverter is not None:
            said[subject, "ac_energy"] = gauge.gain * ac_w[gauge.inverter]
            continue
        taken = household_load(run.span, run.noise("household")) - np.sum(list(ac_w.values()), axis=0)
        said[subject, "import_energy"] = gauge.gain * np.maximum(taken, 0.0)
        said[subject, "export_energy"] = gauge.gain * np.maximum(-taken, 0.0)


def _say_weather(run: Run, said: Said) -> None:
    """A sensor beside the modules, and what a satellite would make of the sky: too smooth, noisy and biased."""
    wanted = {c.quantity for export in run.home.exports for c in export.columns if c.of == "site"}
    if "irradiance_poa" in wanted:
        _say_sensor(run, said)
    if "irradiance_ghi" in wanted:
        _say_satellite(run, said)


def _say_sensor(run: Run, said: Said) -> None:
    rng, wire = run.noise("sensor"), run.home.wires[0]
    light, cell_c, _ = _light(run, wire)
    snow = snow_on_roof(run.weather, run.home.roof(wire.roof).tilt_deg)[run.weather.sun.lit]
    seen = light.on_plane * np.where(snow, UNDER_SNOW, 1.0) * (1.0 + rng.uniform(-0.02, 0.02))
    seen *= 1.0 + 0.006 * rng.standard_normal(len(seen))
    said["site", "irradiance_poa"] = np.maximum(run.full(seen) + 0.4 * rng.standard_normal(len(run.span)), 0.0)
    said["site", "temperature_module"] = cell_c - 1.0 + 0.3 * rng.standard_normal(len(cell_c))


def _say_satellite(run: Run, said: Said) -> None:
    rng, light, hours = run.noise("satellite"), run.weather.light, len(run.span) // 12
    cloudy = 1.0 - np.clip(light.ghi / np.maximum(run.weather.clear.ghi, 1.0), 0.0, 1.0)
    bias, slip = rng.uniform(-0.06, 0.09), np.repeat(rng.standard_normal(hours), 12)[run.weather.sun.lit]
    off = (1.0 + bias) * np.exp((0.04 + 0.22 * cloudy) * slip)
    level = np.minimum(light.ghi * off, 1.08 * run.weather.clear.ghi)
    diffuse = np.minimum(
        light.dhi * np.exp(0.10 * np.repeat(rng.standard_normal(hours), 12)[run.weather.sun.lit]), level
    )
    height = np.sin(np.radians(np.maximum(run.weather.sun.elevation_deg, 3.0)))
    said["site", "irradiance_ghi"], said["site", "irradiance_dhi"] = run.full(level), run.full(diffuse)
    said["site", "irradiance_dni"] = run.full(np.minimum((level - diffuse) / height, 1000.0))
    wrong = rng.uniform(-1.0, 1.0) + 0.6 * np.repeat(rng.standard_normal(hours), 12)
    said["site", "temperature_air"] = run.weather.temperature_c + wrong
