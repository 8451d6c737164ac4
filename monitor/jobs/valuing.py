"""What open findings are worth over the next twelve months, by what the store knows of their subjects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Seconds
from monitor.config import Site
from monitor.detect.finding import Finding
from monitor.detect.price import Price, kwh_price
from monitor.model.grid import STEP_S
from monitor.model.physics import site_physics
from monitor.nightly.memory import remember
from monitor.report.ranking import NextYear, bearer, is_whole, next_year, year_energy
from monitor.store.daily import expected_days

_YEAR = timedelta(days=365)
_MID_MONTH, _DAY_STEPS = 15, 86_400 // STEP_S
_LEVEL = (1.0,) * 12  # seasons, where every month is known by itself


def value_findings(conn: Connection, site: Site, findings: Sequence[Finding], as_of: date) -> dict[str, NextYear]:
    """The value of a site's open findings by id, by the figures up to a local day; those without one are left out."""
    wanted = [f for f in findings if f.state == "open" and f.level != "note" and f.site == site.id]
    if not wanted:
        return {}
    days = expected_days(conn, site=site.id, first=first_valued_day(wanted, as_of), last=as_of)
    price = kwh_price(site, remember(conn, site.id, as_of + timedelta(days=1))) if site.tariff is not None else None
    return values_of(site, wanted, as_of, days, price)


def first_valued_day(findings: Sequence[Finding], as_of: date) -> date:
    """The first local day whose expected energy goes into the value of open findings."""
    return min([as_of - _YEAR + timedelta(days=1), *(f.since for f in findings if f.state == "open")])


def values_of(
    site: Site,
    findings: Sequence[Finding],
    as_of: date,
    days: Mapping[str, Mapping[date, float]],
    price: Price | None,
) -> dict[str, NextYear]:
    """The same by what is known already: the energy expected by subject and local day [kWh], the price of a kWh."""
    wanted = [f for f in findings if f.state == "open" and f.level != "note" and f.site == site.id]
    clear: dict[str, list[float]] | None = None
    found: dict[str, NextYear] = {}
    for finding in wanted:
        named = bearer(site, finding.subject, frozenset(days))
        if named is None:
            continue
        subject, part = named
        known = {day: part * kwh for day, kwh in days[subject].items()}
        months: dict[int, tuple[float, int]] = {}
        for day, kwh in known.items():
            if day > as_of - _YEAR:
                total, count = months.get(day.month, (0.0, 0))
                months[day.month] = total + kwh, count + 1
        if clear is None and not is_whole(months):
            clear = clear_days(site, as_of.year)
        shape = _LEVEL if clear is None else [part * kwh for kwh in clear[subject]]
        value = next_year(
            finding,
            year_kwh=year_energy(months, shape),
            expected_since_kwh=sum(kwh for day, kwh in known.items() if finding.since <= day <= finding.last_seen),
            price=price,
        )
        if value is not None:
            found[finding.id] = value
    return found


def clear_days(site: Site, year: int) -> dict[str, list[float]]:
    """Energy that strings, inverters and the site would make on a cloudless day in each month's middle [kWh]."""
    begins = [int(datetime(year, month, _MID_MONTH, tzinfo=UTC).timestamp()) for month in range(1, 13)]
    steps: Seconds = np.concatenate([begin + STEP_S * np.arange(_DAY_STEPS) for begin in begins])
    physics = site_physics(site, steps)
    kwh = {
        subject: (physics.clear_w(subject).reshape(12, -1).sum(axis=1) * STEP_S / 3.6e6).tolist()
        for subject in physics.power_w
    }
    inverters = [energies for subject, energies in kwh.items() if subject.startswith("inverter:")]
    return {**kwh, "site": np.sum(inverters, axis=0).tolist()}
