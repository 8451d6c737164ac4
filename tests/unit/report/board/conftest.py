"""A small assessed fleet in a store: one home of each kind, and one whose name means harm."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from ingest.readings import Channel, Table
from monitor.config.models import Fleet, FleetFile, Site
from monitor.detect.finding import Finding
from monitor.store import Store
from monitor.store.assessed import set_assessed
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import Loss, save_findings, write_losses
from monitor.store.readings import changed_days, forget_changed_days, merge_tables

URL = "sqlite:///test.db"
AS_OF = date(2026, 8, 31)
FIRST = date(2026, 6, 1)
HARM = "</script><script>alert(1)</script>"
IDS = ("ash", "elm", "oak", "yew", "fir")  # urgent, visit, watch, quiet, silent
SOURCE = {
    "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 60,
    "time": {"column": "t", "zone": "UTC"},
    "columns": [{"column": "ac", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}],
}  # fmt: skip


@pytest.fixture
def store(assessed: tuple[Path, list[Site]], tmp_path: Path) -> Iterator[Store]:
    """The store of the assessed fleet, for one test to change."""
    shutil.copytree(assessed[0], tmp_path, dirs_exist_ok=True)
    opened = Store.open(URL, tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def fleet(assessed: tuple[Path, list[Site]], tmp_path: Path) -> Fleet:
    """The assessed fleet."""
    return fleet_of(tmp_path, assessed[1])


def fleet_of(folder: Path, sites: list[Site]) -> Fleet:
    given = {"fleet": {"name": "Northmoor", "timezone": "Europe/London", "currency": "GBP"}}
    return Fleet(folder, FleetFile.model_validate(given), tuple(sites))


@pytest.fixture(scope="session")
def make_home(make_site: Callable[..., Site]) -> Callable[..., Site]:
    """A home with a log and a tariff."""

    def make(home: str, **settings: object) -> Site:
        site = make_site(id=home, **({"name": home.title()} | settings))
        given = site.model_dump() | {"source": [SOURCE], "tariff": {"import_per_kwh": 0.3}}
        return Site.model_validate(given)

    return make


def live(store: Store, site: Site, first: date, last: date, *, measured: float = 9.0) -> None:
    """Nights of a home: 10 kWh expected a day, readings at noon, until `last`; assessed until AS_OF at the least."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    rows = [
        DailyRow(
            site=site.id, subject=subject, day=day, measured_kwh=measured * part, expected_kwh=10.0 * part,
            expected_low_kwh=9.0 * part, expected_high_kwh=11.0 * part, usable=1.0, irradiation_source="weather",
            features={"heard": 1.0},
        )
        for day in days
        for subject, part in (("site", 1.0), ("inverter:inv1", 1.0), ("string:s1", 0.4), ("string:s2", 0.4))
    ]  # fmt: skip
    noons = np.array([(day - date(1970, 1, 1)).days * 86_400 + 43_200 for day in days], np.int64)
    column = {Channel("inverter:inv1", "ac_power", "mean", "W"): np.full(noons.size, 1000.0)}
    with store.write() as conn:
        write_daily(conn, rows)
        merge_tables(conn, site=site.id, source="log", tables=[Table(noons, column)], now=1)
        forget_changed_days(conn, site.id, changed_days(conn, site.id))
        set_assessed(conn, site.id, max(last, AS_OF))


@pytest.fixture(scope="session")
def assessed(
    make_home: Callable[..., Site],
    make_finding: Callable[..., Finding],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, list[Site]]:
    """A folder with the store of all five homes, and their files."""
    folder = tmp_path_factory.mktemp("assessed")
    store = Store.open(URL, folder)
    homes = [make_home("ash", name=HARM), *(make_home(name) for name in IDS[1:])]
    for home in homes:
        live(store, home, FIRST, date(2026, 8, 20) if home.id == "fir" else AS_OF)
    findings = [
        make_finding(id="dead", site="ash", evidence={"house_kwh": 4711.5, "judged_kwh": 12.3}, lost_money=10.5),
        make_finding(id="over", site="ash", subject="string:s2", state="cleared", cleared=date(2026, 8, 9)),
        make_finding(
            id="weak", site="elm", cause="underperforming_string", level="visit", confidence=0.55,
            summary="String s1 makes 20% less.", evidence={"loss_fraction": 0.2, "other_causes": {"soiling": 0.3}},
        ),
        make_finding(id="shade", site="oak", cause="shading_growth", level="watch", lost_money=None),
        make_finding(id="top", site="yew", subject="inverter:inv1", cause="clipping", level="note"),
    ]  # fmt: skip
    with store.write() as conn:
        save_findings(conn, findings)
        write_losses(conn, [Loss("dead", date(2026, 8, n), 1.2345, 1.0, 1.5, AS_OF) for n in range(3, 32)])
    store.close()
    return folder, homes
