"""When an inverter was held back: what it made then says nothing about its strings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.readings import Mask, Seconds, Values
from monitor.config.models import Inverter
from monitor.detect.flat_top import at_level, flat_top, habits
from monitor.detect.night import SiteNight
from monitor.detect.raised_volts import raised
from monitor.model.grid import STEP_S
from monitor.model.middle import median
from monitor.model.physics import CLEAR_NODE

_AT_RATING = 0.97
# A flat top is looked for above this share of the rating.
_LEAST_OF_RATED = 0.15
# Flat tops of so many days are remembered for the mask; a note remembers its level for good.
_REMEMBERED = 60
# Control keeps the export within some per cent of its limit.
_AT_EXPORT_LIMIT = 0.97
# The upper end of the supply voltage is 110 % of nominal (EN 50160); protection and volt-watt curves act about there.
NOMINAL_VOLTS = (120.0, 230.0, 400.0)
_HIGH_OF_NOMINAL = 252.0 / 230.0

Samples = tuple[Seconds, Seconds, Values]  # begins, ends, values


def held_back(night: SiteNight, inverter: str) -> Mask:
    """Intervals of the day in which something held an inverter (by its id) back, shape (T,).

    Its rating; a level below it that its power comes to again and again; the site's export limit; a grid voltage at
    the upper end of what is allowed; or a voltage on the direct current side that is raised on every string, as any
    kind of limiting raises it. Where an export limit is known but neither the export nor a voltage is logged, every
    interval in which the roof made as much as the limit counts. Worked out once a night, by `observe`.
    """
    if inverter in night.held:
        return night.held[inverter]
    unit = night.units.get(f"inverter:{inverter}")
    if unit is None:
        return np.zeros(night.starts.shape, dtype=bool)
    strings = night.site.strings_of(inverter)
    high, count = raised(night, strings)
    with np.errstate(invalid="ignore"):
        held = np.asarray(unit.power_w >= _AT_RATING * unit.rated_w)
        held |= (
            at_levels(night, inverter, own_levels(night, inverter))
            | _grid_high(night, inverter)
            | at_export_limit(night)
        )
        if count > 1 or (count == 1 and night.site.site.export_limit_w is not None):
            held |= high & (unit.power_w > 0.05 * unit.expected.power_w)
    return held


def at_levels(night: SiteNight, inverter: str, levels: Sequence[float]) -> Mask:
    """Intervals in which an inverter touched one of some levels, shape (T,); in its own log's resolution."""
    samples = inverter_samples(night, inverter) if levels else None
    if samples is None:
        return np.zeros(night.starts.shape, dtype=bool)
    begins, ends, power = samples
    touched = np.zeros(power.shape, dtype=bool)
    for level in levels:
        touched |= at_level(power, level)
    return cells_of(night, begins[touched], ends[touched])


def own_levels(night: SiteNight, inverter: str) -> list[float]:
    """Levels that an inverter's power came to on several days, up to tonight [W]."""
    subject = f"inverter:{inverter}"
    _, tops = night.series(subject, "flat_w")
    kept = [f.evidence["level_w"] for f in night.known if f.subject == subject and "level_w" in f.evidence]
    return [*habits(tops[-_REMEMBERED:]), *kept]


def observe_tops(night: SiteNight) -> dict[str, dict[str, float]]:
    """The day's tops [W]: `top_w` of inverters, and where they are flat `flat_w` of inverters, else of the export."""
    if night.physics is None:
        return {}
    seen: dict[str, dict[str, float]] = {}
    for inverter in night.site.inverter:
        samples = inverter_samples(night, inverter.id)
        if samples is not None and night.site.strings_of(inverter.id):
            level = _flat(night, samples, [inverter])
            seen[f"inverter:{inverter.id}"] = {"top_w": float(np.max(samples[2], initial=0.0))}
            if level is not None:
                seen[f"inverter:{inverter.id}"]["flat_w"] = level
    # Behind an inverter at its limit a house of steady use exports at a level, too.
    export = None if any("flat_w" in kept for kept in seen.values()) else export_samples(night)
    level = None if export is None else _flat(night, export, night.site.inverter)
    return seen if level is None else seen | {"site": {"flat_w": level}}


def _flat(night: SiteNight, samples: Samples, inverters: Sequence[Inverter]) -> float | None:
    begins, ends, power = samples
    cloudless = without_limit(night, [i.id for i in inverters])
    at = np.interp((begins + ends) / 2.0, night.starts + STEP_S / 2.0, cloudless)
    least = _LEAST_OF_RATED * sum(i.rated_ac_w for i in inverters)
    return flat_top(begins, ends, power, at, least_w=least)


def without_limit(night: SiteNight, inverters: Sequence[str]) -> Values:
    """Direct current power of some inverters' strings under a cloudless sky, by the learned gain [W], shape (T,)."""
    total = np.zeros(night.starts.shape)
    for string in night.site.string:
        if string.inverter in inverters and night.physics is not None:
            subject = f"string:{string.id}"
            gain = night.gains[subject].clear_sky if subject in night.gains else 1.0
            total += gain * night.physics.power_w[subject][CLEAR_NODE]
    return total


def inverter_samples(night: SiteNight, inverter: str) -> Samples | None:
    """Readings of an inverter's power as they came; on the day's grid where only counters tell of it."""
    recorded = night.as_recorded(f"inverter:{inverter}", "ac_power")
    if recorded is not None and recorded[2].size:
        return recorded
    unit = night.units.get(f"inverter:{inverter}")
    if unit is None:
        return None
    known = ~np.isnan(unit.power_w)
    return night.starts[known], night.starts[known] + STEP_S, unit.power_w[known]


def export_samples(night: SiteNight) -> Samples | None:
    """Readings of the power that the site gives to the grid as they came [W]; None where nobody measures it."""
    subjects = [*(f"meter:{m.id}" for m in night.site.meter if m.role == "grid"), "site"]
    found = (night.as_recorded(subject, "export_power") for subject in subjects)
    return next((samples for samples in found if samples is not None and samples[2].size), None)


def grid_volts(night: SiteNight, inverter: str) -> Samples | None:
    """Readings of the grid voltage at an inverter, else at one of the site's meters [V]; None where nobody does."""
    meters = [m for m in night.site.meter if m.inverter in (None, inverter)]
    subjects = [f"inverter:{inverter}", *(f"meter:{m.id}" for m in meters), "site"]
    found = (night.as_recorded(subject, "ac_voltage") for subject in subjects)
    return next((samples for samples in found if samples is not None and samples[2].size), None)


def nominal_volts(volts: Values) -> float:
    """The nominal voltage that some readings belong to: of one phase at 120 or 230 V, or between phases at 400 V."""
    usual = median(volts)
    return min(NOMINAL_VOLTS, key=lambda nominal: abs(np.log(max(usual, 1.0) / nominal)))


def cells_of(night: SiteNight, begins: Seconds, ends: Seconds) -> Mask:
    """Intervals of the day that any of some readings touches, shape (T,)."""
    count = night.starts.size
    if not begins.size:
        return np.zeros(count, dtype=bool)
    first = np.minimum(np.maximum((begins - night.begin) // STEP_S, 0), count)
    past = np.minimum(np.maximum(-((night.begin - ends) // STEP_S), 0), count)
    change = np.zeros(count + 1, dtype=np.int64)
    np.add.at(change, first, 1)
    np.add.at(change, past, -1)
    return np.cumsum(change[:-1]) > 0


def _grid_high(night: SiteNight, inverter: str) -> Mask:
    """Intervals with or right after a grid voltage at the upper end of what is allowed."""
    samples = grid_volts(night, inverter)
    if samples is None:
        return np.zeros(night.starts.shape, dtype=bool)
    begins, ends, volts = samples
    high = volts >= _HIGH_OF_NOMINAL * nominal_volts(volts)
    return cells_of(night, begins[high], 2 * ends[high] - begins[high])


def at_export_limit(night: SiteNight) -> Mask:
    """Intervals in which the site's export was at its limit, shape (T,).

    Where nobody measures the export, those in which the roof made as much as the limit while voltages were raised; and
    where no voltage is logged either, all those in which it may have been.
    """
    limit = night.site.site.export_limit_w
    export = export_samples(night)
    if export is not None:
        begins, ends, power = export
        touched = np.zeros(power.shape, dtype=bool)
        for level in export_levels(night):
            touched |= (power >= _AT_EXPORT_LIMIT * level) if limit is not None else at_level(power, level)
        return cells_of(night, begins[touched], ends[touched])
    if limit is None:
        return np.zeros(night.starts.shape, dtype=bool)
    # The house takes its part first: a roof that makes less than the limit is not held back by it.
    made = np.sum([u.power_w for s, u in night.units.items() if s.startswith("inverter:")], axis=0)
    with np.errstate(invalid="ignore"):
        enough = np.asarray(made >= _AT_EXPORT_LIMIT * limit)
    high, voltages = raised(night, night.site.string)
    return enough & high if voltages else enough


def export_levels(night: SiteNight) -> list[float]:
    """The site's stated export limit, else the levels that its export came to on several days, up to tonight [W]."""
    limit = night.site.site.export_limit_w
    if limit is not None:
        return [limit]
    _, tops = night.series("site", "flat_w")
    kept = [f.evidence["level_w"] for f in night.known if f.subject == "site" and "level_w" in f.evidence]
    return [*habits(tops[-_REMEMBERED:]), *kept]
