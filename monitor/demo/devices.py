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


def run_inverter(make: InverterMake, strings: Mapping[str, StringState]) -> InverterState:
    """Turn DC into AC; above its rating an inverter pushes the strings' voltage up until they give less."""
    available = np.sum([s.power for s in strings.values()], axis=0)
    limit_w = _dc_for(make, make.rated_w)
    share = np.minimum(1.0, limit_w / np.maximum(available, 1.0))
    tracked = 1.0 - 0.012 * np.exp(-available / (0.06 * make.rated_w))
    dc = available * share * tracked
    ac = dc - make.own_use_w - make.linear_loss * dc - make.square_loss * dc**2 / make.rated_w
    runs = available >= make.starts_at_w
    held = {key: _held(state, share, runs) for key, state in strings.items()}
    return InverterState(np.where(runs, np.clip(ac, 0.0, make.rated_w), 0.0), held)


def _dc_for(make: InverterMake, ac_w: float) -> float:
    """DC power at which an inverter gives this AC power."""
    a, b, c = make.square_loss / make.rated_w, make.linear_loss - 1.0, ac_w + make.own_use_w
    return float((-b - np.sqrt(b * b - 4.0 * a * c)) / (2.0 * a))


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


def street_voltage(span: Span, ac_w: Floats, rng: np.random.Generator) -> Floats:
    """Voltage at the inverter [V]: the street's, lower in the evening, and raised by what the home feeds in."""
    hour = span.wall % 86400 / 3600.0
    evening = -3.2 * np.exp(-(((hour - 18.5) / 2.6) ** 2)) - 1.4 * np.exp(-(((hour - 8.0) / 1.5) ** 2))
    level, loop_ohm = rng.uniform(236.5, 241.5), rng.uniform(0.15, 0.38)
    drift = 1.3 * red_noise(rng.standard_normal(len(span)), 3.0 * STEPS_PER_HOUR)
    return np.asarray(level + evening + drift + 0.3 * rng.standard_normal(len(span)) + loop_ohm * ac_w / 235.0)


def household_load(span: Span, rng: np.random.Generator) -> Floats:
    """What a home takes [W]: a base, mornings and evenings, and appliances that come and go."""
    hour = span.wall % 86400 / 3600.0
    base, size = rng.uniform(120.0, 260.0), rng.uniform(0.7, 1.4)
    habits = 250.0 * np.exp(-(((hour - 7.6) / 1.1) ** 2)) + 520.0 * np.exp(-(((hour - 18.7) / 2.2) ** 2))
    busy = red_noise(rng.standard_normal(len(span)), 4.0)
    awake = (hour > 6.5) & (hour < 23.0)
    return np.asarray(base + size * (habits + awake * 1500.0 * np.maximum(busy - 1.25, 0.0)))
