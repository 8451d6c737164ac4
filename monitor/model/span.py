"""A site over some local days: its tables, its readings, and the rungs that need a whole span."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from ingest.readings import Table, Values
from ingest.timeline import local_day
from monitor.config.models import Site
from monitor.model.grid import STEP_S, grid
from monitor.model.ladder import Rung, sensor_rung, weather_rung
from monitor.model.measured import Measured, measure
from monitor.model.physics import Physics, site_physics
from monitor.model.weather_series import in_line

_HOUR = 3600


@dataclass(frozen=True, slots=True)
class SiteSpan:
    """Physics and readings of a site over whole local days; `days` tells where each day lies on the grid."""

    site: Site
    physics: Physics
    measured: Measured
    weather: tuple[Rung, ...]  # the rungs of the site's own sensor and weather series, with times as they came
    days: Mapping[date, slice]
    moved: dict[int, tuple[Rung, ...]] = field(default_factory=dict)  # the same with times moved, as asked for

    def rated_w(self, subject: str) -> float:
        """Nameplate of a string, rating of an inverter [W]."""
        return rated_w(self.site, subject)

    def rungs(self, late_s: int) -> tuple[Rung, ...]:
        """The rungs of sensor and weather, with a weather series whose times are so late [s]."""
        if late_s and late_s not in self.moved:
            right = weather_rung(self.site, self.physics, self.measured.series, self.subjects(), late_s)
            self.moved[late_s] = tuple(right if right and r.name == "weather" else r for r in self.weather)
        return self.moved[late_s] if late_s else self.weather

    def subjects(self) -> tuple[str, ...]:
        """Strings and inverters that the model knows."""
        return tuple(self.physics.power_w)

    def power_w(self, subject: str) -> Values | None:
        """Measured power; an inverter without a log of its own has its generation meter's."""
        return measured_power(self.site, self.measured, subject)


def rated_w(site: Site, subject: str) -> float:
    """Nameplate of a string, rating of an inverter [W]."""
    kind, _, name = subject.partition(":")
    if kind == "string":
        return next(s.rated_w for s in site.string if s.id == name)
    return next(i.rated_ac_w for i in site.inverter if i.id == name)


def measured_power(site: Site, measured: Measured, subject: str) -> Values | None:
    """Measured power of a unit [W]; an inverter without a log of its own has its generation meter's."""
    power = measured.power_w.get(subject)
    if power is None and subject.startswith("inverter:"):
        meters = [m for m in site.meter if m.role == "generation" and f"inverter:{m.inverter}" == subject]
        found = [measured.power_w[f"meter:{m.id}"] for m in meters if f"meter:{m.id}" in measured.power_w]
        power = found[0] if found else None
    return power


def utc_days(site: Site, first: date, last: date) -> tuple[int, int]:
    """First and last UTC day number whose readings a span of local days needs, one day of run-up for counters."""
    start, _ = local_day(first, site.zone)
    _, end = local_day(last, site.zone)
    return start // 86400 - 1, end // 86400 + 1


def site_span(site: Site, tables: Mapping[str, Table], first: date, last: date) -> SiteSpan:
    """Build a span from stored tables (by source id) for local days `first` to `last`."""
    start, _ = local_day(first, site.zone)
    _, end = local_day(last, site.zone)
    starts = grid(start // _HOUR * _HOUR, -(-end // _HOUR) * _HOUR)
    measured = measure(site, tables, starts)
    air, wind = (in_line(measured.series.get(q, ()), starts) for q in ("temperature_air", "wind_speed"))
    physics = site_physics(site, starts, air, wind)
    subjects = tuple(physics.power_w)
    rungs = (
        sensor_rung(site, physics, measured.series, subjects),
        weather_rung(site, physics, measured.series, subjects),
    )
    days = {}
    for n in range((last - first).days + 1):
        day = first + timedelta(n)
        begin, finish = (int((at - starts[0]) // STEP_S) for at in local_day(day, site.zone))
        days[day] = slice(begin, finish)
    return SiteSpan(site, physics, measured, tuple(r for r in rungs if r is not None), days)


def kilometres(a: Site, b: Site) -> float:
    """Great-circle distance between two sites [km]."""
    lat1, lon1, lat2, lon2 = np.radians([a.site.latitude, a.site.longitude, b.site.latitude, b.site.longitude])
    h = np.sin((lat2 - lat1) / 2.0) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2.0) ** 2
    return float(2.0 * 6371.0 * np.arcsin(np.sqrt(h)))
