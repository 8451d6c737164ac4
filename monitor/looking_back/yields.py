"""Measured and expected energy as tables, by local day from the daily figures and by interval from the readings."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.readings import Values
from monitor.config.models import Fleet, Site
from monitor.model.dayview import DayView, day_view, expect, site_witness
from monitor.model.grid import STEP_S
from monitor.model.span import kilometres, site_span, utc_days
from monitor.nightly.cases import Case, neighbourhoods
from monitor.nightly.memory import remember
from monitor.store.daily import read_daily
from monitor.store.readings import load_tables

DAY_COLUMNS = (
    "date", "subject", "measured_kwh", "expected_kwh", "expected_low_kwh", "expected_high_kwh", "irradiation_source",
    "availability", "performance_ratio",
)  # fmt: skip
INTERVAL_COLUMNS = (
    "time", "subject", "measured_kwh", "expected_kwh", "expected_low_kwh", "expected_high_kwh", "irradiation_source",
)  # fmt: skip


def daily_yields(conn: Connection, site: Site, first: date | None, last: date | None) -> pd.DataFrame:
    """Daily figures of every subject that has any energy, one row a day and subject."""
    rows = [
        (
            r.day, r.subject, r.measured_kwh, r.expected_kwh, r.expected_low_kwh, r.expected_high_kwh,
            r.irradiation_source, r.availability, r.performance_ratio,
        )
        for r in read_daily(conn, site=site.id, first=first, last=last)
        if r.measured_kwh is not None or r.expected_kwh is not None
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(DAY_COLUMNS))


def interval_yields(conn: Connection, fleet: Fleet, site: Site, first: date, last: date) -> pd.DataFrame:
    """Energies by quarter of an hour, `time` being the interval's start in UTC; each day as its own night saw it."""
    cases = [Case(site), *(Case(s) for s in fleet.sites if s.id != site.id)]
    near = {site.id, *(other for other, _ in neighbourhoods(cases)[site.id])}
    cases = [case for case in cases if case.site.id in near]
    for case in cases:
        begin, end = utc_days(case.site, first, last)
        tables = load_tables(conn, site=case.site.id, first_day=begin, last_day=end)
        case.span = site_span(case.site, tables, first, last)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    parts = [_day(conn, cases, day) for day in days]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(INTERVAL_COLUMNS))


def _day(conn: Connection, cases: Sequence[Case], day: date) -> pd.DataFrame:
    views: list[DayView] = []
    for case in cases:
        assert case.span is not None
        views.append(day_view(case.span, day, remember(conn, case.site.id, day)))
    own = views[0]
    foreign = [site_witness(v, kilometres(own.site, v.site), own.physics.starts) for v in views[1:]]
    expectation = expect(own, foreign)
    times = pd.to_datetime(own.physics.starts, unit="s", utc=True)
    frames = []
    for subject, expected in expectation.units.items():
        power = own.power_w.get(subject)
        if power is None and subject.startswith("string:"):
            continue
        frames.append(
            pd.DataFrame(
                {
                    "time": times,
                    "subject": subject,
                    "measured_kwh": np.nan if power is None else _kwh(power),
                    "expected_kwh": _kwh(expected.power_w),
                    "expected_low_kwh": _kwh(expected.low_w),
                    "expected_high_kwh": _kwh(expected.high_w),
                    "irradiation_source": expected.source,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def _kwh(power_w: Values) -> Values:
    return power_w * STEP_S / 3.6e6
