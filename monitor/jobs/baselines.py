"""What the store knows of a site as it was installed, read out for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from sqlalchemy import Connection

from monitor.config import Fleet, Site
from monitor.looking_back.installed import read_installed
from monitor.model.believing import series_remarks
from monitor.model.degradation import LEAST_YEARS, YearlyChange, year_on_year
from monitor.model.history import SiteHistory
from monitor.model.installed import Installed
from monitor.model.numbers import Nights
from monitor.nightly.memory import remember
from monitor.nightly.planes import fit_planes, healthy_days
from monitor.report.baseline import BaselineSheet, Learning, gather_baseline
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.baselines import read_baselines
from monitor.store.daily import feature_days, read_daily
from monitor.store.findings import list_findings


def read_baseline_sheet(fleet: Fleet, store: Store, site: Site) -> BaselineSheet:
    """The as-installed baseline of a site: gains and skies as its last night left them, planes from all its days."""
    name = fleet.settings.fleet.name
    with store.read() as conn:
        installed = read_installed(conn, site.id)
        until = assessed_until(conn, site.id)
        if until is None:
            return gather_baseline(site, installed, fleet=name, until=None, learning={}, changes={})
        history = remember(conn, site.id, until + timedelta(days=1))
        frozen = {b.subject: b.frozen_on for b in read_baselines(conn, site.id)}  # the last epoch counts
        units = [
            s for s in history.subjects() if s.startswith(("string:", "inverter:")) and _is_heard(history.nights(s))
        ]
        gains = dict(installed.gains) | {s: history.gains(s, until + timedelta(days=1)) for s in units}
        maps = {subject: sky.sky_map for subject, sky in history.skies.items()}
        changes = _changes(conn, site, history, list(gains), installed.learning_since, until)
        installed = _worked_out(conn, site, replace(installed, gains=gains, maps=maps), until)
    learning = {
        subject: replace(_learning(history.nights(subject)), frozen_on=frozen.get(subject)) for subject in gains
    }
    remarks = series_remarks(site, history, installed.gains)
    return gather_baseline(
        site, installed, fleet=name, until=until, learning=learning, changes=changes, remarks=remarks
    )


def _changes(
    conn: Connection, site: Site, history: SiteHistory, units: Sequence[str], first: date | None, until: date
) -> dict[str, YearlyChange]:
    """How the level of each unit changes from year to year, by its clear days without a finding."""
    found = {}
    for unit in units:
        epoch = history.epochs.get(unit)
        begin = first if epoch is None else date.fromordinal(epoch.first)
        if begin is None or (until - begin).days < LEAST_YEARS * 365 - 7:
            continue
        seen = [
            (day.toordinal(), level)
            for day, features in feature_days(conn, site=site.id, subject=unit, first=begin, last=until)
            if (level := features.get("clear")) is not None and not features.get("open")
        ]
        days, levels = np.array([d for d, _ in seen], np.int64), np.array([x for _, x in seen], np.float64)
        change = year_on_year(days, levels)
        if change is not None:
            found[unit] = change
    return found


def _worked_out(conn: Connection, site: Site, installed: Installed, until: date) -> Installed:
    """The baseline with planes, from the days on which nothing was found."""
    findings = list_findings(conn, site=site.id, include_cleared=True)
    healthy = healthy_days(site, read_daily(conn, site=site.id), findings)
    first = min((day for days in healthy.values() for day in days), default=None)
    if first is None:
        return installed
    return replace(
        installed,
        planes=fit_planes(conn, site, healthy, first, until),
    )


def _is_heard(nights: Nights) -> bool:
    return bool(nights.known("usable").any() or nights.known("learn").any())


def _learning(nights: Nights) -> Learning:
    """How far the healthy days of a unit have brought its gain."""
    healthy = nights.having("learn")
    clear, sensor, weather = (healthy.known(name).size for name in ("clear_sky", "sensor", "weather"))
    return Learning(days=len(healthy), clear=clear, sensor=sensor, weather=weather)
