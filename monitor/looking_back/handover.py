"""Commissioning values beside what the logs show today in like light: strings' volts and amps, translated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Mask, Values
from monitor.config.handover import HandoverString
from monitor.config.models import Site, String
from monitor.model.calibration import Z80
from monitor.model.physics import at_index
from monitor.model.power import cell_temperature, climatological_air_temperature
from monitor.model.span import SiteSpan, site_span, utc_days
from monitor.model.translate import current_at, voltage_at
from monitor.report.callback.pack import HandoverLine
from monitor.store.daily import DailyRow
from monitor.store.readings import load_tables

# So many of the last days are looked through, and a quarter hour counts whose light is within this of the handover's.
LOOK_BACK_DAYS = 90
NEAR = 0.12
LEAST_QUARTERS = 8
# Without a sensor in the plane only bright days tell how much light there was.
_BRIGHT_INDEX = 0.85
# Doubt of today's light and module temperature, one sigma: by a sensor, and by the model (planning values).
_LIGHT_SIGMA = {"its sensor": 0.02, "the model": 0.08}
_TEMPERATURE_SIGMA_K = {"its sensor": 2.0, "the model": 6.0}
_KNOWN = 0.01
_HELD = 0.05
_FULL = 0.9  # of an inverter's rating: a quarter hour's mean may hide a minute at it


@dataclass(frozen=True, slots=True)
class _Light:
    """Irradiance in a plane and module temperature over a span, and who tells them; NaN where they are not known."""

    w_m2: Values
    module_c: Values
    told_by: str


def compare_handover(conn: Connection, site: Site, rows: Sequence[DailyRow], last: date) -> tuple[HandoverLine, ...]:
    """Compare where both a handover with its light and temperature, and volts or amps of a string, are known."""
    told = site.handover
    if told is None or told.irradiance_w_m2 is None or told.module_temperature_c is None:
        return ()
    index = {r.day: i for r in rows if r.subject == "site" and (i := r.features.get("index")) is not None}
    first = last - timedelta(days=LOOK_BACK_DAYS - 1)
    begin, end = utc_days(site, first, last)
    span = site_span(site, load_tables(conn, site=site.id, first_day=begin, last_day=end), first, last)
    lines: list[HandoverLine] = []
    for given in told.string:
        string = next(s for s in site.string if s.id == given.id)
        light = _light(span, string, index)
        near = (np.abs(light.w_m2 / told.irradiance_w_m2 - 1.0) <= NEAR) & ~_at_rating(span, string)
        lines += _string(span, string, given, light, near, told.irradiance_w_m2, told.module_temperature_c)
    return tuple(
        replace(line, beside=_beside(site, line, lines), is_held=_is_held(line.string, lines)) for line in lines
    )


def _is_held(string: str, lines: Sequence[HandoverLine]) -> bool:
    """Whether a string's voltage is raised while its current is lowered, as when an inverter takes less."""
    change = {line.quantity: line.change for line in lines if line.string == string}
    return change.get("voltage", 0.0) > _HELD and change.get("current", 0.0) < -_HELD


def _beside(site: Site, line: HandoverLine, lines: Sequence[HandoverLine]) -> float | None:
    """A line's change over that of the plane's other strings, less one: what light and temperature do not touch."""
    planes = {s.id: s.plane for s in site.string}
    others = [
        1.0 + other.change
        for other in lines
        if (other.quantity, planes[other.string]) == (line.quantity, planes[line.string]) and other is not line
    ]
    return (1.0 + line.change) / float(np.median(others)) - 1.0 if others else None


def _light(span: SiteSpan, string: String, index: dict[date, float]) -> _Light:
    """By the sensor in the plane where the roof has one plane and a sensor, else the model's on bright days."""
    starts, weather = span.physics.starts, span.measured.weather
    air = weather.get("temperature_air")
    site = span.site
    rough = climatological_air_temperature(
        starts.astype(np.float64), latitude=site.site.latitude, longitude=site.site.longitude
    )
    air_c = rough if air is None else np.where(np.isnan(air), rough, air)
    sensor = weather.get("irradiance_poa")
    if sensor is not None and len(site.plane) == 1:
        plane, told_by = sensor, "its sensor"
    else:
        sky = np.full(starts.shape, np.nan)
        for day, where in span.days.items():
            if index.get(day, 0.0) >= _BRIGHT_INDEX:
                sky[where] = index[day]
        plane, told_by = at_index(span.physics.plane_w_m2[string.plane], sky), "the model"
    modelled = cell_temperature(plane, air_c)
    recorded = span.measured.recorded.get(("site", "temperature_module"))
    if recorded is None:
        return _Light(plane, modelled, told_by)
    module = recorded.on_grid()
    return _Light(plane, np.where(np.isnan(module), modelled, module), told_by)


def _at_rating(span: SiteSpan, string: String) -> Mask:
    """Where the inverter is full: its strings are then held away from their working point."""
    unit = f"inverter:{string.inverter}"
    power = span.power_w(unit)
    if power is None:
        return np.zeros(span.physics.starts.shape, dtype=bool)
    return np.nan_to_num(power) >= _FULL * span.rated_w(unit)


def _string(
    span: SiteSpan, string: String, given: HandoverString, light: _Light, near: Mask, to_w_m2: float, to_c: float
) -> list[HandoverLine]:
    module = string.module
    per_c = module.gamma_pmp_pct_per_c / 100.0
    volts, amps = (_recorded(span, string, q) for q in ("dc_voltage", "dc_current"))
    lines = []
    at_voltage = given.vmp_v or (given.voc_v * module.vmp_v / module.voc_v if given.voc_v else None)
    if volts is not None and at_voltage is not None:
        today = np.full(volts.shape, np.nan)
        today[near] = voltage_at(volts[near], from_c=light.module_c[near], to_c=to_c, per_c=per_c)
        doubt = abs(per_c) * _TEMPERATURE_SIGMA_K[light.told_by]
        lines += _line(span, string, "voltage", "V", at_voltage, today, near, doubt, given.vmp_v is None, light.told_by)
    at_current = given.imp_a or (given.isc_a * module.imp_a / module.isc_a if given.isc_a else None)
    if amps is not None and at_current is not None:
        today = np.full(amps.shape, np.nan)
        today[near] = current_at(amps[near], from_w_m2=light.w_m2[near], to_w_m2=to_w_m2)
        doubt = _LIGHT_SIGMA[light.told_by]
        lines += _line(span, string, "current", "A", at_current, today, near, doubt, given.imp_a is None, light.told_by)
    return lines


def _line(
    span: SiteSpan, string: String, quantity: str, measure: str, then: float, today: Values, near: Mask, doubt: float,
    is_indirect: bool, told_by: str,
) -> list[HandoverLine]:  # fmt: skip
    """The middle of today's values in like light; nothing where there are too few."""
    works = near & (np.nan_to_num(today) > _KNOWN * then)
    found = today[works]
    if found.size < LEAST_QUARTERS:
        return []
    middle = float(np.median(found))
    half = Z80 * doubt * middle
    days = {n for n, where in enumerate(span.days.values()) if works[where].any()}
    return [
        HandoverLine(
            string=string.id, quantity=quantity, measure=measure, at_handover=then, today=middle, low=middle - half,
            high=middle + half, quarters=int(found.size), days=len(days), is_indirect=is_indirect, light=told_by,
        )
    ]  # fmt: skip


def _recorded(span: SiteSpan, string: String, quantity: str) -> Values | None:
    channel = span.measured.recorded.get((f"string:{string.id}", quantity))
    return None if channel is None else channel.on_grid()
