"""Energy of every subject and local day, measured and expected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from sqlalchemy import Connection, delete, func, or_, select

from monitor.store import schema
from monitor.store.memory import drop_memory
from monitor.store.rows import portions, records, to_row, upsert


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyRow:
    """One subject's local day; None where it cannot be told."""

    site: str
    subject: str
    day: date
    measured_kwh: float | None = None
    expected_kwh: float | None = None
    expected_low_kwh: float | None = None
    expected_high_kwh: float | None = None
    irradiation_source: str | None = None  # sensor, weather, neighbours or clear_sky
    availability: float | None = None
    performance_ratio: float | None = None
    usable: float = 0.0  # share of the day's expectation that can be judged
    features: dict[str, float | None] = field(default_factory=dict)


def write_daily(conn: Connection, rows: Sequence[DailyRow]) -> None:
    """Keep rows; a row of the same site, subject and day is replaced."""
    upsert(conn, schema.daily, [to_row(row) for row in rows])


def read_daily(
    conn: Connection,
    *,
    site: str,
    subject: str | None = None,
    first: date | None = None,
    last: date | None = None,
) -> list[DailyRow]:
    """Rows of the days first to last, both included, in order of day and subject."""
    c = schema.daily.c
    query = select(schema.daily).where(c.site == site).order_by(c.day, c.subject)
    if subject is not None:
        query = query.where(c.subject == subject)
    if first is not None:
        query = query.where(c.day >= first)
    if last is not None:
        query = query.where(c.day <= last)
    return records(DailyRow, conn.execute(query))


def expected_days(conn: Connection, *, site: str, first: date, last: date) -> dict[str, dict[date, float]]:
    """Expected energy [kWh] by subject and local day, of strings, inverters and the site, without anything else."""
    c = schema.daily.c
    query = select(c.subject, c.day, c.expected_kwh).where(
        c.site == site, c.day >= first, c.day <= last, c.expected_kwh.is_not(None)
    )
    found: dict[str, dict[date, float]] = {}
    for subject, day, kwh in conn.execute(query):
        found.setdefault(subject, {})[day] = kwh
    return found


def energies_of(
    conn: Connection, sites: Sequence[str], *, first: date, last: date, also: Sequence[str] = ()
) -> dict[str, list[DailyRow]]:
    """Rows of many sites' days first to last without their features, in order of day and subject, by site.

    They are those of the site, its inverters and strings, and of the subjects of `also`.
    """
    c = schema.daily.c
    columns = [column for column in schema.daily.columns if column is not c.features]
    whose = or_(
        c.subject == "site", c.subject.startswith("inverter:"), c.subject.startswith("string:"), c.subject.in_(also)
    )
    found: dict[str, list[DailyRow]] = {site: [] for site in sites}
    for some in portions(sites):
        query = select(*columns).where(c.site.in_(some), c.day >= first, c.day <= last, whose)
        for row in records(DailyRow, conn.execute(query.order_by(c.site, c.day, c.subject))):
            found[row.site].append(row)
    return found


def feature_days(
    conn: Connection, *, site: str, subject: str, first: date, last: date
) -> list[tuple[date, Mapping[str, float | None]]]:
    """The features of a subject's days first to last, both included, in order."""
    c = schema.daily.c
    query = select(c.day, c.features).where(c.site == site, c.subject == subject, c.day >= first, c.day <= last)
    return [(day, features) for day, features in conn.execute(query.order_by(c.day))]


def drop_daily(conn: Connection, *, site: str, from_day: date) -> None:
    """Delete a site's rows from a day on, and what is remembered of them."""
    drop_memory(conn, site=site, from_day=from_day)
    conn.execute(delete(schema.daily).where(schema.daily.c.site == site, schema.daily.c.day >= from_day))


def assessed_days(conn: Connection, site: str) -> tuple[date | None, int]:
    """First local day with figures of a site, and the number of such days."""
    c = schema.daily.c
    query = select(func.min(c.day), func.count()).where(c.site == site, c.subject == "site")
    first, count = conn.execute(query).one()
    return first, int(count)
