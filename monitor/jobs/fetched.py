"""What a request to a weather service brought, on its way into the store, and what is told of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import Table
from ingest.sources import WeatherServiceSource
from ingest.weather.answer import Weather
from ingest.weather.asking import DAY_S, Days
from monitor.config import Site
from monitor.store import Store
from monitor.store.polls import PollState, note_poll
from monitor.store.readings import merge_tables


@dataclass(slots=True)
class FetchReport:
    """What a pass over the weather services did, counted while it runs."""

    requests: int = 0
    sites: int = 0  # that were asked for
    answered: int = 0  # of them
    readings_new: int = 0
    readings_same: int = 0
    readings_replaced: int = 0
    set_aside: int = 0  # values that cannot be true
    waiting: int = 0  # sites that are due and left for a later pass
    failed: tuple[str, ...] = ()  # sentences
    complete: bool = True  # False: told to stop before the end

    @property
    def all_taken(self) -> bool:
        """Whether every request had its answer, and nothing was set aside."""
        return not (self.failed or self.set_aside)


@dataclass(frozen=True, slots=True)
class Member:
    """A site's source that waits for weather of some days; how its fetches stood so far."""

    site: Site
    source: WeatherServiceSource
    days: Days
    before: PollState | None

    @property
    def name(self) -> str:
        """Site and source for a person."""
        return f"{self.site.id}/{self.source.id}"


@dataclass(frozen=True, slots=True)
class Fetched:
    """The outcome of one request for some sites: the weather, or in a sentence why there is none."""

    members: tuple[Member, ...]
    began_at: int
    weather: Weather | None
    trouble: str = ""
    busy: bool = False  # the service gives nothing to anybody now
    rest_s: int | None = None  # and asked to be left alone for so long


def keep(fetched: Fetched, store: Store, report: FetchReport, now: int) -> None:
    """Store what was fetched, and how the sources stand, each site in a transaction of its own."""
    for member in fetched.members:
        own = _cut(fetched.weather.table, member.days) if fetched.weather is not None else None
        trouble = fetched.trouble or ("" if own is not None and has_sun(own) else _nothing(member))
        with store.write() as conn:
            if own is not None:
                count = merge_tables(
                    conn, site=member.site.id, source=member.source.id, tables=[own], now=fetched.began_at
                )
            note_poll(conn, _state_after(member, fetched, trouble, now))
        report.sites += 1
        if trouble:
            report.failed += (f"{member.name}: {trouble}",)
        else:
            report.answered += 1
        if own is not None:
            report.readings_new += count.new
            report.readings_same += count.same
            report.readings_replaced += count.conflicts
    if fetched.weather is not None:
        report.set_aside += fetched.weather.set_aside


def has_sun(table: Table) -> bool:
    """Whether a table holds any global irradiance."""
    return bool(sun_days([table]))


def sun_days(tables: Sequence[Table]) -> list[int]:
    """UTC days with a reading of global irradiance, in order."""
    days: set[int] = set()
    for table in tables:
        for channel, values in table.columns.items():
            if channel.quantity == "irradiance_ghi":
                days.update((table.starts[~np.isnan(values)] // DAY_S).tolist())
    return sorted(days)


def _cut(table: Table, days: Days) -> Table:
    inside = (table.starts >= days.first * DAY_S) & (table.starts < (days.last + 1) * DAY_S)
    return Table(table.starts[inside], {channel: values[inside] for channel, values in table.columns.items()})


def _nothing(member: Member) -> str:
    first, last = (np.datetime64(day, "D") for day in (member.days.first, member.days.last))
    return f"{member.source.service}: the answer has no irradiance for {first} to {last}"


def _state_after(member: Member, fetched: Fetched, trouble: str, now: int) -> PollState:
    before = member.before
    aside = fetched.weather.set_aside if fetched.weather is not None else 0
    told = f"{aside} values of the last answer cannot be true and were set aside" if aside else ""
    return PollState(
        site=member.site.id,
        source=member.source.id,
        last_try_at=fetched.began_at,
        last_ok_at=(before.last_ok_at if before else None) if trouble else now,
        failures=(before.failures if before else 0) + 1 if trouble else 0,
        trouble=trouble or told,
    )
