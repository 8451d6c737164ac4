"""How the planes of a site lie, worked out from all that was recorded."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Mask, Seconds, Values
from ingest.timeline import local_day
from monitor.config.models import Plane, Site
from monitor.detect.finding import Finding
from monitor.detect.table import spoils
from monitor.model.as_installed import doubt
from monitor.model.dayview import measurable
from monitor.model.grid import STEP_S, grid
from monitor.model.installed import PlaneAsInstalled
from monitor.model.measured import measure
from monitor.model.orientation import OrientationFit, fit_orientation, orientation_of, turn, vector
from monitor.model.span import measured_power, rated_w, utc_days
from monitor.model.trial import Maker, Spot
from monitor.model.weather_series import in_line
from monitor.store.daily import DailyRow
from monitor.store.readings import load_tables

_MOST_STRINGS = 4  # of a plane that are fitted
# Strings of one plane that differ by more lie in two [deg].
_APART_DEG = 15.0


def fit_planes(
    conn: Connection, site: Site, healthy: Mapping[str, Collection[date]], first: date, last: date
) -> dict[str, PlaneAsInstalled]:
    """Fit the planes of a site to the days on which their units were healthy; the model goes by the site file."""
    watched = {p.id: _watchers(site, p.id) for p in site.plane}
    begin, end = utc_days(site, first, last)
    tables = load_tables(conn, site=site.id, first_day=begin, last_day=end)
    starts = grid(local_day(first, site.zone)[0] // 3600 * 3600, -(-local_day(last, site.zone)[1] // 3600) * 3600)
    measured = measure(site, tables, starts)
    air_c = in_line(measured.series.get("temperature_air", ()), starts)
    found = {}
    for plane in site.plane:
        fits = []
        for subject in watched[plane.id]:
            power = measured_power(site, measured, subject)
            if power is not None:
                kept = np.where(_within(site, healthy[subject], starts), power, np.nan)
                fits.append(_fit(site, plane, subject, kept, starts, air_c))
        if fits:
            fit, stated = combined(fits), (plane.tilt_deg, plane.azimuth_deg)
            found[plane.id] = PlaneAsInstalled(plane.id, stated, stated, fit, doubt(stated, fit), last)
    return found


def healthy_days(site: Site, rows: Sequence[DailyRow], findings: Sequence[Finding]) -> dict[str, set[date]]:
    """Days of each measurable unit on which it could be believed, without those that findings tell of afterwards."""
    healthy: dict[str, set[date]] = {subject: set() for subject in measurable(site)}
    for row in rows:
        believed = row.features.get("clearness") is not None and row.features.get("unit:power") is None
        if row.subject in healthy and believed:
            healthy[row.subject].add(row.day)
    for finding in (f for f in findings if spoils(f)):
        for subject in _touched(site, finding.subject) & healthy.keys():
            healthy[subject] = {d for d in healthy[subject] if not finding.since <= d <= finding.last_seen}
    return healthy


def _touched(site: Site, subject: str) -> set[str]:
    """Units whose power a trouble of a subject may show in."""
    kind, _, name = subject.partition(":")
    if kind == "inverter":
        return {subject} | {f"string:{s.id}" for s in site.strings_of(name)}
    if kind == "string":
        return {subject} | {f"inverter:{s.inverter}" for s in site.string if s.id == name}
    return set()


def _watchers(site: Site, plane: str) -> list[str]:
    """Units that tell of one plane alone: its strings, or else inverters that have no other."""
    units = measurable(site)
    strings = [f"string:{s.id}" for s in site.string if s.plane == plane and f"string:{s.id}" in units]
    if strings:
        return strings[:_MOST_STRINGS]
    alone = [i for i in site.inverter if {s.plane for s in site.strings_of(i.id)} == {plane}]
    return [f"inverter:{i.id}" for i in alone if f"inverter:{i.id}" in units][:_MOST_STRINGS]


def _within(site: Site, days: Collection[date], starts: Seconds) -> Mask:
    """Intervals of some local days."""
    kept = np.zeros(starts.size, dtype=bool)
    for day in days:
        begin, end = local_day(day, site.zone)
        first = int((begin - starts[0]) // STEP_S)
        kept[max(first, 0) : max(int((end - starts[0]) // STEP_S), 0)] = True
    return kept


def _fit(
    site: Site, plane: Plane, subject: str, power_w: Values, starts: Seconds, air_c: Values | None
) -> OrientationFit:
    place, (kind, _, name) = site.site, subject.partition(":")
    strings = [s for s in site.string if (s.inverter if kind == "inverter" else s.id) == name]
    maker = Maker(
        sum(s.rated_w for s in strings),
        strings[0].module.gamma_pmp_pct_per_c / 100.0,
        rated_w(site, subject) if kind == "inverter" else None,
    )
    spot = Spot(place.latitude, place.longitude, place.altitude_m)
    stated = (plane.tilt_deg, plane.azimuth_deg)
    return fit_orientation(power_w, starts, spot=spot, maker=maker, stated=stated, air_c=air_c)


def combined(fits: Sequence[OrientationFit]) -> OrientationFit:
    """One answer of several units of a plane: the mean of those that are trusted, by their variances.

    Its range is that of the surest of them, since what the model gets wrong it gets wrong for all.
    """
    sure = [f for f in fits if f.trusted]
    doubted = [f for f in fits if f.clock_doubt_s]
    if doubted or not sure:
        return doubted[0] if doubted else max(fits, key=lambda f: f.days)
    places = np.array([vector((f.tilt_deg, f.azimuth_deg)) for f in sure])
    weights = np.array([1.0 / f.tilt_sigma**2 for f in sure])
    tilt, _ = orientation_of(weights @ places / weights.sum())
    by_azimuth = np.array([1.0 / f.azimuth_sigma**2 for f in sure])
    reference = sure[int(np.argmax(by_azimuth))].azimuth_deg
    off = by_azimuth @ np.array([turn(f.azimuth_deg, reference) for f in sure]) / by_azimuth.sum()
    mean = replace(
        max(sure, key=lambda f: f.days),
        tilt_deg=tilt,
        azimuth_deg=float((reference + off) % 360.0),
        tilt_sigma=min(f.tilt_sigma for f in sure),
        azimuth_sigma=min(f.azimuth_sigma for f in sure),
        better_than_stated=float(np.mean([f.better_than_stated for f in sure])),
    )
    if max(float(np.hypot(*(a - b))) for a in places for b in places) > _APART_DEG:
        return replace(mean, trusted=False, why_not="the strings of the plane look differently placed")
    return mean
