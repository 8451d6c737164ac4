"""Inverters, the street's voltage, and what a household takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from monitor.demo.chance import Floats, red_noise
from monitor.demo.span import STEPS_PER_HOUR, Span
from monitor.demo.strings import StringState


@dataclass(frozen=True, slots=True)
class InverterMake:
    """An inverter's habits."""

    rated_w: float
    starts_at_w: float
    own_use_w: float
    linear_loss: float
    square_loss: float  # at rated power, as a share of it
    night_w: float  # what its meter shows in the dark; not positive


@dataclass(frozen=True, eq=False)
class InverterState:
    """AC power on the lit steps, and its strings as it made them run."""

    ac_w: Floats
    strings: dict[str, StringState]
    withheld_w: Floats  # what it could have fed in besides, but for its rating or what it is allowed to give


def run_inverter(
    make: InverterMake, strings: Mapping[str, StringState], allowed_w: float | Floats = np.inf
) -> InverterState:
    """Turn DC into AC; above its rating, or what it is allowed to give, it pushes the strings' voltage up."""
    available = np.sum([s.power for s in strings.values()], axis=0)
    most_w = np.minimum(make.rated_w, allowed_w)
    share = np.minimum(1.0, _dc_for(make, most_w) / np.maximum(available, 1.0))
    tracked = 1.0 - 0.012 * np.exp(-available / (0.06 * make.rated_w))
    runs = available >= make.starts_at_w
    ac = np.where(runs, np.clip(_ac_from(make, available * share * tracked), 0.0, most_w), 0.0)
    withheld = np.where(runs & (share < 1.0), _ac_from(make, available * tracked) - ac, 0.0)
    return InverterState(ac, {key: _held(state, share, runs) for key, state in strings.items()}, withheld)


def _ac_from(make: InverterMake, dc_w: Floats) -> Floats:
    """AC power from DC power."""
    losses = make.own_use_w + make.linear_loss * dc_w + make.square_loss * dc_w**2 / make.rated_w
    return np.asarray(dc_w - losses)


def _dc_for(make: InverterMake, ac_w: Floats) -> Floats:
    """DC power at which an inverter gives this AC power."""
    a, b, c = make.square_loss / make.rated_w, make.linear_loss - 1.0, ac_w + make.own_use_w
    return np.asarray((-b - np.sqrt(b * b - 4.0 * a * c)) / (2.0 * a))


def _held(state: StringState, share: Floats, runs: Floats) -> StringState:
    """A string at its share of power, or with nothing flowing below the start-up threshold."""
    if state.module_power is not None:
        return replace(state, current=state.current * share * runs, module_power=state.module_power * share * runs)
    up = np.where(share < 1.0, state.module.limited_voltage(share), 1.0)
    return replace(
        state,
        voltage=np.where(runs, state.voltage * up, state.open_voltage),
        current=np.where(runs, state.current * share / up, 0.0),
    )


@dataclass(frozen=True, eq=False)
class Street:
    """The grid at a home: its voltage [V] on all steps while the home feeds nothing in, and how it gives way."""

    level: float
    idle: Floats
    loop_ohm: float

    def at(self, ac_w: Floats) -> Floats:
        """Voltage at the inverter while it feeds this in."""
        return np.asarray(self.idle + self.loop_ohm * ac_w / 235.0)


def draw_street(span: Span, rng: np.random.Generator) -> Street:
    """A street's voltage, lower in the evening, drifting over hours."""
    hour = span.wall % 86400 / 3600.0
    evening = -3.2 * np.exp(-(((hour - 18.5) / 2.6) ** 2)) - 1.4 * np.exp(-(((hour - 8.0) / 1.5) ** 2))
    level, loop_ohm = rng.uniform(236.5, 241.5), rng.uniform(0.15, 0.38)
    drift = 1.3 * red_noise(rng.standard_normal(len(span)), 3.0 * STEPS_PER_HOUR)
    return Street(level, level + evening + drift + 0.3 * rng.standard_normal(len(span)), loop_ohm)


RESTART = (0.0, 0.0, 0.45)  # shares of power in the steps after a trip: waiting, waiting, rising again


def shares_between_trips(volts: Floats, trips_at: float, rng: np.random.Generator) -> Floats:
    """Share of its power that an inverter gives when it lets go of a grid at too high a voltage.

    `volts` is the voltage that it would meet at full power, step by step. It lets go within the step, stays off, comes
    back slowly, and meets the same voltage again.
    """
    share, free = np.ones(len(volts)), 0
    for at in np.flatnonzero(volts >= trips_at).tolist():
        if at >= free:
            free = at + 1 + len(RESTART)
            share[at:free] = (rng.uniform(0.1, 0.8), *RESTART)[: len(volts) - at]
    return share


def idle_for(state: InverterState, share: Floats) -> InverterState:
    """An inverter that is connected for a share of each step; its strings stand at open circuit for the rest."""
    strings = {
        key: replace(
            one,
            voltage=share * one.voltage + (1.0 - share) * one.open_voltage,
            current=share * one.current,
            module_power=None if one.module_power is None else share * one.module_power,
        )
        for key, one in state.strings.items()
    }
    return InverterState(share * state.ac_w, strings, share * state.withheld_w)


def household_load(span: Span, rng: np.random.Generator) -> Floats:
    """What a home takes [W]: a base, mornings and evenings, and appliances that come and go."""
    hour = span.wall % 86400 / 3600.0
    base, size = rng.uniform(120.0, 260.0), rng.uniform(0.7, 1.4)
    habits = 250.0 * np.exp(-(((hour - 7.6) / 1.1) ** 2)) + 520.0 * np.exp(-(((hour - 18.7) / 2.2) ** 2))
    busy = red_noise(rng.standard_normal(len(span)), 4.0)
    awake = (hour > 6.5) & (hour < 23.0)
    return np.asarray(base + size * (habits + awake * 1500.0 * np.maximum(busy - 1.25, 0.0)))
