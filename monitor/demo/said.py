"""What the devices of a home say about what flows: with noise, gains, and the troubles of measuring itself."""

from __future__ import annotations

import numpy as np

from monitor.demo.chance import Floats
from monitor.demo.effects import affected, size_of
from monitor.demo.plans import Converter, Wire
from monitor.demo.production import Flows, Run
from monitor.demo.roof import UNDER_SNOW
from monitor.demo.strings import StringState
from monitor.demo.weather import snow_on_roof

Said = dict[tuple[str, str], Floats]  # subject and quantity to values on all steps; energies as power [W]


def readings_of(run: Run, flows: Flows) -> Said:
    """Everything that the devices of a home could say."""
    said: Said = {}
    for converter in run.home.converters:
        _say_inverter(run, converter, flows, said)
        for wire in run.home.wired_to(converter.id):
            _say_string(run, wire, flows.strings[wire.id], said)
    _say_meters(run, flows, said)
    _say_weather(run, flows, said)
    _fail_channels(run, said)
    return said


def _say_inverter(run: Run, converter: Converter, flows: Flows, said: Said) -> None:
    subject, true_w = f"inverter:{converter.id}", flows.ac_w[converter.id]
    gain = converter.gain * (1.0 + size_of(run.span, run.effects, "gain", subject))
    said[subject, "ac_power"] = true_w * np.where(true_w > 0.0, gain, 1.0)
    said[subject, "ac_energy"] = said[subject, "ac_power"]
    said[subject, "ac_voltage"] = flows.streets[converter.id].at(true_w)


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


def _say_meters(run: Run, flows: Flows, said: Said) -> None:
    for gauge in run.home.gauges:
        subject = f"meter:{gauge.id}"
        gain = gauge.gain * (1.0 + size_of(run.span, run.effects, "gain", subject))
        if gauge.role == "generation" and gauge.inverter is not None:
            said[subject, "ac_energy"] = gain * flows.ac_w[gauge.inverter]
            continue
        taken = flows.load_w - np.sum(list(flows.ac_w.values()), axis=0)
        taken = np.where(affected(run.span, run.effects, "reversed", subject), -taken, taken)
        taken = np.where(affected(run.span, run.effects, "stray", subject), flows.load_w, taken)
        said[subject, "import_energy"] = said[subject, "import_power"] = gain * np.maximum(taken, 0.0)
        said[subject, "export_energy"] = said[subject, "export_power"] = gain * np.maximum(-taken, 0.0)


def _say_weather(run: Run, flows: Flows, said: Said) -> None:
    """A sensor beside the modules, and what a satellite would make of the sky: too smooth, noisy and biased."""
    wanted = {c.quantity for export in run.home.exports for c in export.columns if c.of == "site"}
    if "irradiance_poa" in wanted:
        _say_sensor(run, flows, said)
    if "irradiance_ghi" in wanted:
        _say_satellite(run, said)


def _say_sensor(run: Run, flows: Flows, said: Said) -> None:
    rng, wire = run.noise("sensor"), run.home.wires[0]
    lit, roof = flows.lit[wire.id], run.home.roof(wire.roof)
    snow = snow_on_roof(run.weather, roof.tilt_deg, run.home.snow_patience)[run.weather.sun.lit]
    seen = lit.light.on_plane * np.where(snow, UNDER_SNOW, 1.0) * (1.0 + rng.uniform(-0.02, 0.02))
    seen *= 1.0 + 0.006 * rng.standard_normal(len(seen))
    said["site", "irradiance_poa"] = np.maximum(run.full(seen) + 0.4 * rng.standard_normal(len(run.span)), 0.0)
    said["site", "temperature_module"] = lit.cell_c - 1.0 + 0.3 * rng.standard_normal(len(lit.cell_c))


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


def _fail_channels(run: Run, said: Said) -> None:
    """Channels that stay at what they said, or say one number whatever happens."""
    for effect in run.effects:
        if effect.what not in ("stuck", "value"):
            continue
        key, holds = (effect.subject, effect.quantity), effect.holds(run.span)
        values = said[key].copy()
        stays = values[np.argmax(holds)] if effect.what == "stuck" else effect.sizes(run.span)[holds]
        values[holds] = stays
        said[key] = values
