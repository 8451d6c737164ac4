"""A made-up home with every channel that tells of limits, and its nights from recorded readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from types import MappingProxyType

import numpy as np

from ingest.readings import Channel, Seconds, Table, Values
from ingest.timeline import local_day
from monitor.config.models import Site
from monitor.detect.evening import site_night
from monitor.detect.finding import Finding
from monitor.detect.life import advance
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.observe import observe
from monitor.detect.table import Detector
from monitor.model.dayview import day_view, expect
from monitor.model.grid import grid
from monitor.model.history import DayNote, SiteHistory
from monitor.model.physics import site_physics
from monitor.model.span import site_span
from tests.unit.monitor.conftest import made_site

JUNE = date(2026, 6, 14)
STEP_S = 300
AC = Channel("inverter:inv1", "ac_power", "mean", "W")
GRID_VOLTS = Channel("inverter:inv1", "ac_voltage", "mean", "V")
EXPORT = Channel("meter:grid", "export_power", "mean", "W")
AIR = Channel("site", "temperature_air", "mean", "degC")
GLOBAL = Channel("site", "irradiance_ghi", "mean", "W/m2")
POWER = {s: Channel(f"string:{s}", "dc_power", "mean", "W") for s in ("s1", "s2")}
VOLTS = {s: Channel(f"string:{s}", "dc_voltage", "mean", "V") for s in ("s1", "s2")}


def home(*, rated_ac_w: float = 7500.0, strings: int = 2, **site: object) -> Site:
    """Two strings (or one) of ten modules on one plane, a log of five minutes."""
    plain = made_site()
    columns = [
        {"column": str(c), "quantity": c.quantity, "of": c.subject, "unit": c.unit}
        for c in (AC, GRID_VOLTS, EXPORT, AIR, GLOBAL, *POWER.values(), *VOLTS.values())
        if strings == 2 or c.subject != "string:s2"
    ]
    source = {
        "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 5,
        "time": {"column": "t", "zone": "UTC"}, "columns": columns,
    }  # fmt: skip
    return made_site(
        site=plain.site.model_dump() | site,
        inverter=[{"id": "inv1", "rated_ac_w": rated_ac_w}],
        string=[s.model_dump() for s in plain.string[:strings]],
        meter=[{"id": "grid", "role": "grid"}],
        source=[source],
    )


def times(site: Site, day: date = JUNE) -> Seconds:
    """Starts of the day's readings."""
    begin, end = local_day(day, site.zone)
    return np.arange(begin, end, STEP_S, dtype=np.int64)


def clear_day(site: Site, day: date = JUNE, sky: Values | float = 1.0) -> dict[Channel, Values]:
    """Readings of a day under a cloudless sky (or a part of it): powers, voltages at full power, a calm grid."""
    starts = times(site, day)
    # An inverter far above its strings: nothing is limited yet.
    free = site.model_copy(update={"inverter": (site.inverter[0].model_copy(update={"rated_ac_w": 20_000.0}),)})
    quarters = grid(int(starts[0]), int(starts[-1]) + STEP_S)
    physics = site_physics(free, quarters)
    columns: dict[Channel, Values] = {
        AC: np.zeros(starts.shape), GRID_VOLTS: np.full(starts.shape, 238.0), AIR: air_day(starts, 15.0),
    }  # fmt: skip
    for string in site.string:
        power = sky * np.interp(starts + 150.0, quarters + 450.0, physics.clear_w(f"string:{string.id}"))
        light = np.interp(starts + 150.0, quarters + 450.0, physics.plane_w_m2["south"][11])
        cells = 15.0 + sky * light / 30.0
        columns[POWER[string.id]] = power
        columns[VOLTS[string.id]] = np.where(power > 5.0, 310.0 * (1.0 - 0.0034 * (cells - 25.0)), 0.0)
        columns[AC] = columns[AC] + 0.96 * power
    columns[EXPORT] = np.maximum(columns[AC] - 300.0, 0.0)
    return columns


def seen_day(site: Site, day: date = JUNE) -> dict[Channel, Values]:
    """A cloudless day with a sensor of its light."""
    starts = times(site, day)
    quarters = grid(int(starts[0]), int(starts[-1]) + STEP_S)
    light = np.interp(starts + 150.0, quarters + 450.0, site_physics(site, quarters).clear.ghi)
    return clear_day(site, day) | {GLOBAL: light}


def air_day(starts: Seconds, mean_c: float) -> Values:
    """Air temperature of a day with a swing of 2 degrees [degC]."""
    return np.asarray(mean_c + 2.0 * np.sin((starts - starts[0]) / 86400.0 * 2.0 * np.pi - 2.4))


def limited_to(columns: Mapping[Channel, Values], watts: Values | float) -> dict[Channel, Values]:
    """The day with the inverter held at a power; voltages rise as on a single-diode curve, strings share the rest."""
    found = {channel: values.copy() for channel, values in columns.items()}
    share = np.minimum(watts / np.maximum(found[AC], 1.0), 1.0)
    # Voltage over that at full power, at 800 W/m2: 1.074, 1.136, 1.184, 1.249 at 95, 80, 60, 20 % of the power.
    rise = np.interp(share, [0.2, 0.6, 0.8, 0.95, 1.0], [1.249, 1.184, 1.136, 1.074, 1.0])
    found[AC] = found[AC] * share
    for channel in found:
        if channel.quantity == "dc_power":
            found[channel] = found[channel] * share
        if channel.quantity == "dc_voltage":
            found[channel] = found[channel] * rise
    found[EXPORT] = np.maximum(found[AC] - 300.0, 0.0)
    return found


def history(site: Site, before: date, features: Mapping[str, Mapping[str, float]], days: int = 5) -> SiteHistory:
    """What the same days, one after the other, have left behind."""
    past = SiteHistory()
    for n in range(days, 0, -1):
        day = date.fromordinal(before.toordinal() - n)
        past.add([DayNote(day, subject, 30.0, 27.0, 33.0, 1.0, dict(kept)) for subject, kept in features.items()])
    return past


def night_of(
    site: Site,
    columns: Mapping[Channel, Values],
    day: date = JUNE,
    past: SiteHistory | None = None,
    known: tuple[Finding, ...] = (),
) -> SiteNight:
    """The night of a recorded day, without neighbours."""
    past = past or SiteHistory()
    span = site_span(site, {"log": Table(times(site, day), dict(columns))}, day, day)
    view = day_view(span, day, past)
    return site_night(view, expect(view, []), past, known)


def replay(
    site: Site,
    detector: Detector,
    days: Sequence[tuple[date, Mapping[Channel, Values]]],
    faults: Mapping[date, Mapping[str, float]] = MappingProxyType({}),
) -> tuple[list[list[Verdict]], list[Finding]]:
    """Nights one after the other, each with what those before have left: verdicts by night, and the findings.

    `faults` are traits of that name by subject, on days on which no reading tells of them.
    """
    past, findings, said = SiteHistory(), list[Finding](), list[list[Verdict]]()
    for day, columns in days:
        night = observe(night_of(site, columns, day, past, tuple(findings)))
        told = {s: {**night.traits.get(s, {}), "fault": kind} for s, kind in faults.get(day, {}).items()}
        night = replace(night, traits={**night.traits, **told})
        verdicts = detector.find(night)
        changes = advance(night, verdicts, findings, suspected=past.suspected, raised=day)
        changed = {c.finding.id: c.finding for c in changes}
        findings = [f for f in findings if f.id not in changed] + list(changed.values())
        subjects = {*night.traits, *night.units, "site"}
        past.add([_note(night, subject, verdicts) for subject in sorted(subjects)])
        said.append(verdicts)
    return said, findings


def _note(night: SiteNight, subject: str, verdicts: Sequence[Verdict]) -> DayNote:
    unit = night.units.get(subject)
    energy = night.energy_kwh(unit.expected.power_w) if unit else None
    told = [v for v in verdicts if v.subject == subject and v.says != "unclear"]
    says = {f"says:{v.cause}": float(v.says == "trouble") for v in told}
    return DayNote(night.day, subject, energy, energy, energy, 1.0, {**night.traits.get(subject, {}), **says})


def days_from(first: date, count: int) -> list[date]:
    """So many days in a row."""
    return [date.fromordinal(first.toordinal() + n) for n in range(count)]
