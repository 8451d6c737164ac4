"""What was read of each part of a home over a period: units, modules, meters, and what crossed the grid meter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Values
from ingest.sources import Source, points_of
from ingest.timeline import local_day
from monitor.config.models import Site
from monitor.detect.telling.phrases import subject_in_words
from monitor.model.grid import STEP_S
from monitor.model.measured import measure
from monitor.model.span import utc_days
from monitor.report.callback.pack import HouseLine, MeterLine, ModuleLine, UnitLine
from monitor.report.energies import DayFigures, compare, daily_energy, day_span
from monitor.store.daily import DailyRow
from monitor.store.readings import load_tables

# A meter's day counts beside the inverter's when so much of the day was heard of both.
_WHOLE_DAY = 0.98
_COMPARED = 0.9
_BRIGHT_DAYS, _RECENT_DAYS = 10, 60


def inverters_of(site: Site) -> list[str]:
    """Inverters with strings, as subjects."""
    return [f"inverter:{i.id}" for i in site.inverter if site.strings_of(i.id)]


def unit_lines(site: Site, rows: Sequence[DailyRow], first: date, last: date) -> tuple[UnitLine, ...]:
    """Inverters and strings, measured beside expected."""
    by_subject: dict[str, list[DailyRow]] = {}
    measured = {row.subject for row in rows if row.measured_kwh is not None}
    for row in rows:
        if row.subject in measured:
            by_subject.setdefault(row.subject, []).append(row)
    subjects = [*inverters_of(site), *(f"string:{s.id}" for s in site.string)]
    return tuple(_unit(site, s, by_subject[s], first, last) for s in subjects if s in by_subject)


def _unit(site: Site, subject: str, rows: Sequence[DailyRow], first: date, last: date) -> UnitLine:
    figures = {
        row.day: DayFigures(
            measured=row.measured_kwh, expected=row.expected_kwh, low=row.expected_low_kwh, high=row.expected_high_kwh,
            source=row.irradiation_source, whole=row.usable >= _COMPARED,
        )
        for row in rows
    }  # fmt: skip
    both = compare(daily_energy(figures, day_span(first, last)))
    known = [(row.availability, row.expected_kwh or 0.0) for row in rows if row.availability is not None]
    weight = sum(kwh for _, kwh in known)
    return UnitLine(
        subject=subject, words=subject_in_words(site, subject), days=both.days, measured=both.measured,
        expected=both.expected, low=both.low, high=both.high,
        available=sum(a * kwh for a, kwh in known) / weight if weight > 0.0 else None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Both:
    days: int = 0
    meter: float = 0.0
    inverter: float = 0.0


def meter_lines(site: Site, rows: Sequence[DailyRow]) -> tuple[MeterLine, ...]:
    """Generation meters beside their inverters."""
    sums = {m.id: _Both() for m in site.meter if m.role == "generation" and m.inverter is not None}
    for _, of_day in groupby(rows, lambda row: row.day):
        by_subject = {row.subject: row for row in of_day}
        for meter_id, so_far in sums.items():
            pair = both_of(site, meter_id, by_subject)
            if pair is not None:
                sums[meter_id] = replace(
                    so_far, days=so_far.days + 1, meter=so_far.meter + pair[0], inverter=so_far.inverter + pair[1]
                )
    return tuple(
        MeterLine(
            meter=m.id, inverter=m.inverter, days=sums[m.id].days, meter_kwh=sums[m.id].meter,
            inverter_kwh=sums[m.id].inverter, is_only_witness=not _has_own_log(site, m.inverter),
        )
        for m in site.meter
        if m.id in sums and m.inverter is not None
    )  # fmt: skip


def both_of(site: Site, meter_id: str, rows: Mapping[str, DailyRow]) -> tuple[float, float] | None:
    """A day's energy by a generation meter and by the log of the inverter behind it; None unless both are whole."""
    meter = next(m for m in site.meter if m.id == meter_id)
    if meter.role != "generation" or meter.inverter is None or not _has_own_log(site, meter.inverter):
        return None
    shown, own = rows.get(f"meter:{meter_id}"), rows.get(f"inverter:{meter.inverter}")
    if shown is None or own is None or shown.measured_kwh is None or own.measured_kwh is None:
        return None
    heard = [_heard(rows, source.id) for source in site.source if f"meter:{meter_id}" in _tells_of(source)]
    if own.usable < _WHOLE_DAY or not heard or max(heard) < _WHOLE_DAY:
        return None
    return shown.measured_kwh, own.measured_kwh


def _heard(rows: Mapping[str, DailyRow], source: str) -> float:
    row = rows.get(f"source:{source}")
    return row.usable if row is not None else 0.0


def _tells_of(source: Source) -> set[str]:
    return {point.of for point in points_of(source)}


def _has_own_log(site: Site, inverter: str) -> bool:
    """Whether anything but a meter tells what an inverter makes."""
    return any(
        point.of == f"inverter:{inverter}" and point.quantity in ("ac_power", "ac_energy")
        for source in site.source
        for point in points_of(source)
    )


def module_lines(conn: Connection, site: Site, rows: Sequence[DailyRow], last: date) -> tuple[ModuleLine, ...]:
    """Modules with electronics of their own: each one's energy over the middle one's, on the brightest recent days."""
    wanted = [s for s in site.string if s.module_electronics]
    recent = [r for r in rows if r.subject == "site" and r.day > last - timedelta(days=_RECENT_DAYS) and r.expected_kwh]
    bright = sorted(recent, key=lambda r: -(r.expected_kwh or 0.0))[:_BRIGHT_DAYS]
    if not wanted or not bright:
        return ()
    sums: dict[str, float] = {}
    for row in bright:
        begin, end = local_day(row.day, site.zone)
        utc = utc_days(site, row.day, row.day)
        tables = load_tables(conn, site=site.id, first_day=utc[0], last_day=utc[1])
        measured = measure(site, tables, np.arange(begin, end, STEP_S, dtype=np.int64))
        for module, watts in measured.modules_w.items():
            sums[module] = sums.get(module, 0.0) + float(np.nansum(watts))
    found = []
    for string in wanted:
        own = {m: total for m, total in sums.items() if m.startswith(f"module:{string.id}/")}
        middle = float(np.median(list(own.values()))) if own else 0.0
        if middle > 0.0:
            found.append(
                ModuleLine(string=string.id, shares={m: own[m] / middle for m in sorted(own)}, days=len(bright))
            )
    return tuple(found)


def house_line(conn: Connection, site: Site, first: date, last: date) -> HouseLine | None:
    """What the grid meter counted over the period; None without one that counts imports."""
    grids = [m.id for m in site.meter if m.role == "grid"]
    told = {(p.of, p.quantity) for source in site.source for p in points_of(source)}
    meter = next((g for g in grids if (f"meter:{g}", "import_energy") in told), None)
    if meter is None:
        return None
    now = _flows(conn, site, meter, first, last)
    if now is None:
        return None
    try:
        a_year_before = (first.replace(year=first.year - 1), last.replace(year=last.year - 1))
    except ValueError:  # 29 February
        a_year_before = (first - timedelta(days=365), last - timedelta(days=365))
    before = _flows(conn, site, meter, *a_year_before) if a_year_before[0] >= site.site.commissioned else None
    return HouseLine(
        days=now[2], imported=now[0], exported=now[1], imported_before=before[0] if before else None,
        days_before=before[2] if before else 0,
    )  # fmt: skip


def _flows(conn: Connection, site: Site, meter: str, first: date, last: date) -> tuple[float, float, int] | None:
    """Imported, exported [kWh], and on how many days anything was heard."""
    utc = utc_days(site, first, last)
    tables = load_tables(conn, site=site.id, first_day=utc[0], last_day=utc[1])
    starts = np.arange(local_day(first, site.zone)[0], local_day(last, site.zone)[1], STEP_S, dtype=np.int64)
    flows = measure(site, tables, starts).flows_w
    imported, exported = (flows.get((f"meter:{meter}", f"{way}_energy")) for way in ("import", "export"))
    if imported is None or np.isnan(imported).all():
        return None
    heard = sum(not np.isnan(part).all() for part in np.array_split(imported, (last - first).days + 1))
    return _kwh(imported), 0.0 if exported is None else _kwh(exported), heard


def _kwh(watts: Values) -> float:
    return float(np.nansum(watts)) * STEP_S / 3.6e6
