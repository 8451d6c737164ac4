"""Energies that tell of the same thing, side by side: noted night by night."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ingest.readings import Mask, Values
from monitor.config.models import Inverter, Meter
from monitor.detect.night import SiteNight, UnitNight
from monitor.model.grid import STEP_S

# A day counts when this share of its expected energy has readings on both sides.
_WHOLE = 0.97
# Light load tells little of an inverter's efficiency.
_LOADED, _LEAST_INTERVALS = 0.15, 6
# Astronomical night: even a clock that is an hour off shows no sun then.
_DARK_DEG, _LEAST_DARK = -12.0, 6
# Steps of power from one half hour to the next that are worth a comparison with the grid's.
_HALF_HOUR = 2
_STEP_OF_RATED, _LEAST_STEP_W, _CLIP = 0.08, 250.0, 3.0
_IDLE_W, _FLOWING_W = 100.0, 50.0


def observe_balances(night: SiteNight) -> dict[str, dict[str, float]]:
    """Note energies that have to fit each other.

    Traits:

    - of a generation meter `own_kwh` and `inverter_kwh`, what it and its inverters counted on a day on which both
      were there, `strings_kwh` what the strings gave, `dark_w` its mean power in astronomical night;
    - of an inverter `ac_over_dc`, energy it gave over that of its strings, at fair load;
    - of a grid meter (or the site, where its channels are the site's) `steps`, `steps_xx`, `steps_xy`, `steps_yy`:
      count and sums of squares and products [kW2] of steps of generation (x) and of net import (y) from half hour to
      half hour, and `house_kwh` beside `made_kwh`: what the house took by the balance, and what was made;
      `exported_kwh` what of that went out at once.
    """
    if night.span is None or night.physics is None:
        return {}
    seen: dict[str, dict[str, float]] = {}
    for subject, traits in [*_meters(night), *_inverters(night), *_grid(night)]:
        if traits:
            seen.setdefault(subject, {}).update(traits)
    return seen


def _meters(night: SiteNight) -> Iterator[tuple[str, dict[str, float]]]:
    for meter in night.site.meter:
        if meter.role == "generation":
            yield f"meter:{meter.id}", {**_pair(night, meter), **_in_the_dark(night, meter)}


def behind(night: SiteNight, meter: Meter) -> list[Inverter]:
    """The inverters that a generation meter counts."""
    return [i for i in night.site.inverter if meter.inverter in (None, i.id) and night.site.strings_of(i.id)]


def _pair(night: SiteNight, meter: Meter) -> dict[str, float]:
    subject, inverters = f"meter:{meter.id}", behind(night, meter)
    units = [night.units.get(f"inverter:{i.id}") for i in inverters]
    power = night.meters_w.get(subject)
    if power is None or not units or any(u is None for u in units):
        return {}
    known = [u for u in units if u is not None]
    if any("fault" in night.traits.get(s, {}) for s in (subject, *(u.subject for u in known))):
        return {}
    if not all(_whole(u, u.power_w) and _whole(u, power) for u in known):
        return {}
    own = [night.on_grid(u.subject, "ac_power") is None and not _counts(night, u.subject) for u in known]
    if any(own):  # what stands for the inverter is the meter itself
        return {}
    traits = {
        "own_kwh": _energy(night, subject, power),
        "inverter_kwh": sum(_energy(night, u.subject, u.power_w) for u in known),
    }
    strings = [night.units.get(f"string:{s.id}") for i in inverters for s in night.site.strings_of(i.id)]
    if all(s is not None and _whole(s, s.power_w) for s in strings):
        traits["strings_kwh"] = sum(night.energy_kwh(s.power_w) for s in strings if s is not None)
    return traits


def _counts(night: SiteNight, subject: str) -> bool:
    assert night.span is not None
    return subject in night.span.measured.counted_w


def _energy(night: SiteNight, subject: str, power_w: Values) -> float:
    """The day's energy by the register where there is one, else by power [kWh]."""
    assert night.span is not None
    counted = night.span.measured.counted_w.get(subject)
    day = None if counted is None else counted[night.span.days[night.day]]
    return night.energy_kwh(np.maximum(power_w, 0.0) if day is None or np.isnan(day).any() else day)


def _whole(unit: UnitNight, power_w: Values) -> bool:
    expected = unit.expected.power_w
    total = float(np.sum(expected))
    return total > 0.0 and float(np.sum(expected[~np.isnan(power_w)])) >= _WHOLE * total and unit.marked < 1.0 - _WHOLE


def _in_the_dark(night: SiteNight, meter: Meter) -> dict[str, float]:
    assert night.physics is not None
    power = night.meters_w.get(f"meter:{meter.id}")
    if power is None or night.site.battery is not None:
        return {}
    dark = (night.physics.sun.elevation_deg < _DARK_DEG) & ~np.isnan(power)
    return {"dark_w": float(np.mean(power[dark]))} if np.count_nonzero(dark) >= _LEAST_DARK else {}


def _inverters(night: SiteNight) -> Iterator[tuple[str, dict[str, float]]]:
    if night.site.battery is not None:  # one on the direct current side takes and gives between the two
        return
    for inverter in night.site.inverter:
        unit = night.units.get(f"inverter:{inverter.id}")
        strings = [night.units.get(f"string:{s.id}") for s in night.site.strings_of(inverter.id)]
        if unit is None or not strings or any(s is None for s in strings):
            continue
        dc = np.sum([s.power_w for s in strings if s is not None], axis=0)
        with np.errstate(invalid="ignore"):
            both = (unit.power_w > _LOADED * unit.rated_w) & ~np.isnan(dc)
        if np.count_nonzero(both) >= _LEAST_INTERVALS and float(np.sum(dc[both])) > 0.0:
            yield unit.subject, {"ac_over_dc": float(np.sum(unit.power_w[both]) / np.sum(dc[both]))}


def _grid(night: SiteNight) -> Iterator[tuple[str, dict[str, float]]]:
    made = _generation(night)
    if made is None:
        return
    for subject in grid_subjects(night):
        taken, given = (_flow(night, subject, way) for way in ("import", "export"))
        yield subject, {**_steps(night, made, taken, given), **_house(night, made, taken, given)}


def grid_subjects(night: SiteNight) -> list[str]:
    """Grid meters, and the site where import and export are told as the site's."""
    return [f"meter:{m.id}" for m in night.site.meter if m.role == "grid"] + ["site"]


def _generation(night: SiteNight) -> Values | None:
    """What all inverters make [W], NaN where one is unknown; None where one is not measured."""
    units = [night.units.get(f"inverter:{i.id}") for i in night.site.inverter if night.site.strings_of(i.id)]
    if not units or any(u is None for u in units):
        return None
    # Many a log sleeps at night.
    known = [
        np.where(np.isnan(u.power_w) & (u.expected.power_w <= 0.0), 0.0, u.power_w) for u in units if u is not None
    ]
    return np.asarray(np.sum(known, axis=0))


def _flow(night: SiteNight, subject: str, way: str) -> Values | None:
    """Import or export on the day's grid [W]."""
    assert night.span is not None
    power = night.on_grid(subject, f"{way}_power")
    if power is not None:
        return power
    energy = night.span.measured.flows_w.get((subject, f"{way}_energy"))
    return None if energy is None else energy[night.span.days[night.day]]


def _known_loads(night: SiteNight) -> tuple[Values, Mask] | None:
    """What battery, diverter and charger add to the import [W], and where the battery rests; None where unknown."""
    load, rests = np.zeros(night.starts.shape), np.ones(night.starts.shape, dtype=bool)
    if night.site.battery is not None:
        battery = night.on_grid("battery", "battery_power")
        if battery is None:
            return None
        with np.errstate(invalid="ignore"):
            rests = np.abs(battery) < _IDLE_W
    if night.site.diverter is not None:
        diverted = night.on_grid("diverter", "diverter_power")
        if diverted is None:
            return None
        load = load + diverted
    charged = night.on_grid("charger", "charger_power") if night.site.charger is not None else None
    return (load if charged is None else load + np.nan_to_num(charged)), rests


def _steps(night: SiteNight, made: Values, taken: Values | None, given: Values | None) -> dict[str, float]:
    """Steps of the generation beside those of the net import, both over half hours."""
    loads = _known_loads(night)
    if loads is None or (taken is None and given is None):
        return {}
    load, free = loads
    net = _net(taken, given)
    for held in night.held.values():
        free = free & ~held
    with np.errstate(invalid="ignore"):
        if taken is None or given is None:
            free = free & (np.abs(net) > _FLOWING_W)
    x, y = _halves(made, free), _halves(net - load, free)
    dx, dy = np.diff(x) / 1000.0, np.diff(y) / 1000.0
    rated = sum(i.rated_ac_w for i in night.site.inverter) / 1000.0
    with np.errstate(invalid="ignore"):
        large = (np.abs(dx) > max(_STEP_OF_RATED * rated, _LEAST_STEP_W / 1000.0)) & ~np.isnan(dy)
    if not large.any():
        return {}
    dx, dy = dx[large], dy[large]
    dy = np.clip(dy, -_CLIP * np.abs(dx), _CLIP * np.abs(dx))
    return {
        "steps": float(dx.size), "steps_xx": float(dx @ dx), "steps_xy": float(dx @ dy), "steps_yy": float(dy @ dy),
    }  # fmt: skip


def _net(taken: Values | None, given: Values | None) -> Values:
    """Net import [W]; of one direction alone, what it tells."""
    if taken is None or given is None:
        return np.asarray(taken if given is None else -given)
    return np.asarray(taken - given)


def _halves(power_w: Values, where: Mask) -> Values:
    """Half-hour means of quarter hours; NaN where one of the two is unknown or left out."""
    kept = np.where(where, power_w, np.nan)
    whole = kept[: kept.size // _HALF_HOUR * _HALF_HOUR]
    return np.asarray(whole.reshape(-1, _HALF_HOUR).mean(axis=1))


def _house(night: SiteNight, made: Values, taken: Values | None, given: Values | None) -> dict[str, float]:
    """What the house took by the balance of the day, a battery's discharge counted as made [kWh]."""
    if given is None:
        return {}
    source = np.maximum(made, 0.0) + (0.0 if taken is None else taken)
    if night.site.battery is not None:
        battery = night.on_grid("battery", "battery_power")
        source = source + (night.site.battery.rated_w if battery is None else np.maximum(battery, 0.0))
    known = ~np.isnan(source) & ~np.isnan(given)
    if np.count_nonzero(known) < _WHOLE * known.size:
        return {}
    hours = STEP_S / 3.6e6
    return {
        "house_kwh": float(np.sum((source - given)[known])) * hours,
        "made_kwh": float(np.sum(np.maximum(made[known], 0.0))) * hours,
        "exported_kwh": float(np.sum(np.clip(given, 0.0, np.maximum(made, 0.0))[known])) * hours,
    }
