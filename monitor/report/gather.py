"""From the store to a homeowner's month."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import Connection

from monitor.config.models import Fleet, Site
from monitor.model.typical_year import TypicalYear
from monitor.report.digest import Edition, HomeownerDigest
from monitor.report.energies import DayFigures, daily_energy, day_span
from monitor.report.homeowner import (
    FIRST_WEEKS,
    YEAR,
    concerns,
    health,
    matters,
    month_days,
    month_total,
    sunniness,
    year_and_quote,
)
from monitor.store.daily import DailyRow, read_daily
from monitor.store.rulings import told_findings

WHOLE_DAY = 0.9  # share of a day's expectation that has readings, from which on the day is compared


def gather_homeowner(
    conn: Connection, fleet: Fleet, site: Site, *, month: tuple[int, int], generated: datetime,
    usual: TypicalYear | None = None,
) -> HomeownerDigest:  # fmt: skip
    """One month of one roof; reads nothing but this site's figures. `usual` is its typical year."""
    first, last = month_days(*month)
    rows = read_daily(conn, site=site.id, subject="site", first=first - YEAR, last=last)
    figures = figures_by_day(rows)
    days = day_span(max(first, site.site.commissioned), last)
    daily = daily_energy(figures, days)
    total = month_total(daily, [row.irradiation_source for row in rows if row.day >= first])
    found = concerns(told_findings(conn, site=site.id, include_cleared=True), first, last)
    is_new = last - site.site.commissioned < FIRST_WEEKS
    return HomeownerDigest(
        edition=Edition(
            kind="homeowner", about=site.id, period=f"{first:%Y-%m}", written=generated.astimezone(site.zone)
        ),
        firm=fleet.settings.fleet.name,
        site=site.site.name,
        first=first,
        daily=daily,
        total=total,
        last_heard=max((row.day for row in rows if row.measured_kwh is not None), default=None),
        year=year_and_quote(figures, last, site.site.quoted_kwh_per_year, usual),
        health=health(total, found, is_new=is_new),
        matters=matters(found),
        contact=_contact(fleet),
        phone=fleet.settings.fleet.phone,
        begun=site.site.commissioned if is_new else None,
        sunniness=sunniness(figures, days, usual, is_south=site.site.latitude < 0.0),
    )


def figures_by_day(rows: Sequence[DailyRow]) -> dict[date, DayFigures]:
    """A subject's rows by local day, as pictures and sums take them."""
    return {
        row.day: DayFigures(
            measured=row.measured_kwh,
            expected=row.expected_kwh,
            low=row.expected_low_kwh,
            high=row.expected_high_kwh,
            source=row.irradiation_source,
            whole=row.usable >= WHOLE_DAY,
        )
        for row in rows
    }


def _contact(fleet: Fleet) -> str | None:
    mail = fleet.settings.mail
    if mail is None:
        return None
    return mail.service_team[0] if mail.service_team else mail.sender.rpartition("<")[2].rstrip(">")
