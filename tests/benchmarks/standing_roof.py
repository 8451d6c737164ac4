"""A string on a roof of known orientation, by other physics than the model's.

Solis sky with haze from day to day, clouds by a Markov chain, Perez-Driesse transposition, Martin-Ruiz glass, cells
that warm with delay, single-diode modules, an inverter with its own losses; in five-minute steps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from ingest.readings import Seconds, Values
from monitor.demo.chance import stream
from monitor.demo.devices import run_inverter
from monitor.demo.parts import chimney, draw_converter, draw_mounting, draw_wire, tree
from monitor.demo.roof import cell_temperature, light_on
from monitor.demo.shade import Obstruction, shade_on
from monitor.demo.span import Span
from monitor.demo.strings import draw_module, wired_state
from monitor.demo.weather import Place, Weather, draw_region, snow_on_roof, weather_at
from monitor.model.sky import Sky
from monitor.model.trial import Maker, Spot

_PER_QUARTER = 3
MODULES = 12


@dataclass(frozen=True)
class Roof:
    """What is asked for: where, how it lies, when it starts, what stands before it."""

    latitude: float
    tilt_deg: float
    azimuth_deg: float
    first_day: date
    days: int = 365
    shade: str = "none"  # none, chimney, tree
    second: tuple[float, float] | None = None  # tilt and azimuth of a second string on the same inverter
    gain_drift: float = 0.0  # share a year, soiling or ageing
    export_share: float = 0.95  # inverter's rating over the modules'
    seed: int = 0


@dataclass(frozen=True)
class Log:
    """What a home's log says in quarters of an hour: UTC starts, DC power of the string and AC power [W]."""

    starts: Seconds
    dc_w: Values
    ac_w: Values
    dc_maker: Maker
    ac_maker: Maker
    spot: Spot
    sky: Sky  # what a perfect instrument on the level would say


def roof_log(roof: Roof) -> Log:
    """Run a roof through its weather."""
    rng = stream(roof.seed, "standing roof", roof.latitude)
    span = Span(roof.first_day, roof.first_day + timedelta(days=roof.days - 1), "UTC")
    weather = _weather(roof, span)
    module, mounting = draw_module(rng), draw_mounting(rng)
    things = _things(roof, rng)
    planes = [(roof.tilt_deg, roof.azimuth_deg)] + ([roof.second] if roof.second else [])
    wires = [draw_wire(rng, f"s{n}", "inv", "roof", MODULES, module) for n in range(len(planes))]
    states = {}
    for wire, plane in zip(wires, planes, strict=True):
        shade = shade_on(things, weather.sun, span.year_angle, plane)
        light = light_on(weather.sun, weather.light, plane, shade, snow_on_roof(weather, plane[0]))
        absorbed = np.zeros(len(span))
        absorbed[weather.sun.lit] = light.bright
        cell = cell_temperature(absorbed, weather.temperature_c, weather.wind_m_s, mounting)
        state = wired_state(module, wire.hidden, light, shade, cell[weather.sun.lit])
        drift = 1.0 + roof.gain_drift * (span.day_index[weather.sun.lit] / 365.0)
        states[wire.id] = replace(state, current=state.current * drift)
    converter = draw_converter(rng, "inv", wires, roof.export_share)
    ran = run_inverter(converter.make, states)
    rated = MODULES * module.nameplate.pmp_w
    gamma = module.nameplate.gamma_pct_per_k / 100.0
    return Log(
        starts=np.asarray(span.starts[::_PER_QUARTER]),
        dc_w=_said(span, weather, ran.strings["s0"].power, rng, 0.003),
        ac_w=_said(span, weather, ran.ac_w, rng, 0.001),
        dc_maker=Maker(rated, gamma),
        ac_maker=Maker(rated * len(wires), gamma, converter.make.rated_w),
        spot=Spot(roof.latitude, 0.0, 80.0),
        sky=_sky(span, weather),
    )


def _weather(roof: Roof, span: Span) -> Weather:
    """Weather of the latitude's season: south of the equator that of half a year later; and warmer nearer to it."""
    half = timedelta(days=182 if roof.latitude < 0.0 else 0)
    shifted = Span(span.first_day + half, span.last_day + half, "UTC")
    place = Place(roof.latitude, 0.0, 80.0, 0.0, 0.0)
    region = draw_region(shifted, [place], roof.seed)
    warmer = 0.37 * (52.0 - abs(roof.latitude))
    region = replace(region, span=span, temperature_c=region.temperature_c + warmer)
    return weather_at(region, place, 0, stream(roof.seed, "place"))


def _things(roof: Roof, rng: np.random.Generator) -> tuple[Obstruction, ...]:
    if roof.shade == "none":
        return ()
    thing = chimney(rng) if roof.shade == "chimney" else tree(rng)
    if roof.latitude < 0.0:  # the sun stands in the north there
        points = tuple(sorted(((540.0 - a) % 360.0, e) for a, e in thing.outline))
        thing = replace(thing, outline=points)
    return (thing,)


def _said(span: Span, weather: Weather, lit_w: Values, rng: np.random.Generator, noise: float) -> Values:
    steps = np.zeros(len(span))
    steps[weather.sun.lit] = lit_w * (1.0 + noise * rng.standard_normal(len(lit_w)))
    return np.asarray(np.round(steps.reshape(-1, _PER_QUARTER).mean(axis=1)))


def _sky(span: Span, weather: Weather) -> Sky:
    parts = []
    for lit in (weather.light.ghi, weather.light.dni, weather.light.dhi):
        steps = np.zeros(len(span))
        steps[weather.sun.lit] = lit
        parts.append(steps.reshape(-1, _PER_QUARTER).mean(axis=1))
    return Sky(*parts)
