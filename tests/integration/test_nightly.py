"""The nightly assessment on an invented fleet: what it finds, and that it sees nothing of the future."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Connection, select

from monitor.config import Fleet, load_fleet
from monitor.demo import FleetTruth, make_fleet
from monitor.detect import evening
from monitor.detect.finding import Finding
from monitor.jobs.ingesting import ingest_fleet
from monitor.nightly import assess, cases, nights
from monitor.store import Store, schema
from monitor.store.assessed import assessed_sites
from monitor.store.daily import read_daily
from monitor.store.findings import list_events, list_findings, read_losses

LAST = date(2026, 8, 31)
FIRST = date(2026, 6, 1)
NOW = 1_788_300_000  # 2026-09-01


@dataclass(frozen=True)
class Ground:
    """A fleet folder whose exports are in the store, and what is wrong in it."""

    folder: Path
    truth: FleetTruth


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Ground:
    folder = tmp_path_factory.mktemp("nightly") / "fleet"
    truth = make_fleet(folder, seed=11, last_day=LAST, months=3, sites=8)
    fleet = load_fleet(folder)
    store = Store.open(fleet.settings.store.url, folder)
    ingest_fleet(fleet, store, now=NOW)
    store.close()
    return Ground(folder, truth)


@pytest.fixture
def copy(ground: Ground, tmp_path: Path) -> Iterator[tuple[Fleet, Store]]:
    """The store before anything was assessed, to work on."""
    for file in ground.folder.glob("aftercare.db*"):
        shutil.copy(file, tmp_path / file.name)
    fleet = load_fleet(ground.folder)
    store = Store.open(fleet.settings.store.url, tmp_path)
    yield fleet, store
    store.close()


def told(store: Store) -> tuple[object, ...]:
    """All that assessments leave behind, in full."""
    with store.read() as conn:
        findings = list_findings(conn, include_cleared=True)
        sites = sorted({f.site for f in findings})
        return (
            findings,
            [read_losses(conn, site=s) for s in sites],
            sorted((e.night, e.finding_id, e.what) for e in list_events(conn)),  # a night's sites have no order
            [read_daily(conn, site=s) for s in sorted(assessed_sites(conn))],
            *skies(conn),
        )


def skies(conn: Connection) -> list[list[tuple[object, ...]]]:
    """All looks and maps, as they lie in the store."""
    tables = (schema.day_looks, schema.sky_map)
    return [[tuple(row) for row in conn.execute(select(t).order_by(*t.primary_key))] for t in tables]


def by_cause(store: Store, cause: str) -> list[Finding]:
    with store.read() as conn:
        return [f for f in list_findings(conn, include_cleared=True) if f.cause == cause]


def test_finds_the_dead_string_at_once_and_no_other(ground: Ground, copy: tuple[Fleet, Store]) -> None:
    fleet, store = copy
    assess(fleet, store, site_ids=None, first=FIRST, last=LAST)
    dead = [t for t in ground.truth.troubles if t.cause == "failed_string"]
    found = by_cause(store, "failed_string")
    assert [(f.site, f.subject) for f in found] == [(t.site, t.subject) for t in dead]
    assert found[0].since - dead[0].first_day <= timedelta(days=1)
    assert found[0].raised - dead[0].first_day <= timedelta(days=2)
    assert found[0].state == "open"
    assert found[0].lost_kwh_low < found[0].lost_kwh < found[0].lost_kwh_high


def test_outages_and_gaps_are_told_apart(ground: Ground, copy: tuple[Fleet, Store]) -> None:
    fleet, store = copy
    assess(fleet, store, site_ids=None, first=FIRST, last=LAST)
    for cause in ("inverter_outage", "missing_data"):
        true_sites = sorted(t.site for t in ground.truth.troubles if t.cause == cause)
        assert sorted({f.site for f in by_cause(store, cause)}) == true_sites
    assert all(f.lost_kwh == 0.0 for f in by_cause(store, "missing_data"))


def test_one_go_and_night_by_night_leave_the_same(copy: tuple[Fleet, Store], tmp_path: Path) -> None:
    fleet, store = copy
    for file in tmp_path.glob("aftercare.db*"):
        shutil.copy(file, tmp_path / file.name.replace("aftercare", "other"))
    other = Store.open("sqlite:///other.db", tmp_path)
    last = date(2026, 7, 10)
    assess(fleet, store, site_ids=None, first=FIRST, last=last)
    for n in range((last - FIRST).days + 1):
        assess(fleet, other, site_ids=None, first=None, last=FIRST + timedelta(days=n))
    assert told(other) == told(store)
    assert all(told(store)[-2:])
    other.close()


@pytest.mark.parametrize("everywhere_cold", [False, True])
def test_groups_of_sites_find_what_all_of_them_together_find(
    copy: tuple[Fleet, Store], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, everywhere_cold: bool
) -> None:
    """With few neighbours each, so that a group has others around it, and others around those."""
    monkeypatch.setattr(cases, "_MOST_NEIGHBOURS", 2)
    if everywhere_cold:
        for module in (evening, nights):
            monkeypatch.setattr(module, "snow_possible", lambda *_told: True)
    fleet, store = copy
    for file in tmp_path.glob("aftercare.db*"):
        shutil.copy(file, tmp_path / file.name.replace("aftercare", "other"))
    other = Store.open("sqlite:///other.db", tmp_path)
    last = FIRST + timedelta(days=15)
    whole = assess(fleet, store, site_ids=None, first=FIRST, last=last)
    parts = assess(fleet, other, site_ids=None, first=FIRST, last=last, at_once=2)
    assert told(other) == told(store)
    assert (parts.nights, parts.site_nights, parts.assessed_until) == (16, 8 * 16, last)
    assert (whole.nights, whole.site_nights, whole.assessed_until) == (16, 8 * 16, last)
    other.close()


def test_a_night_sees_nothing_of_later_days(copy: tuple[Fleet, Store], tmp_path: Path) -> None:
    fleet, store = copy
    assess(fleet, store, site_ids=None, first=FIRST, last=LAST)
    with store.read() as conn:
        events = [(e.finding_id, e.night, e.what) for e in list_events(conn)]
    cut = date(2026, 7, 20)
    assess(fleet, store, site_ids=None, first=FIRST, last=cut)
    with store.read() as conn:
        early = [(e.finding_id, e.night, e.what) for e in list_events(conn)]
    assert early == [e for e in events if e[1] <= cut]
    assert early


def test_assessing_again_from_the_middle_changes_nothing(copy: tuple[Fleet, Store]) -> None:
    fleet, store = copy
    assess(fleet, store, site_ids=None, first=FIRST, last=LAST)
    before = told(store)
    assess(fleet, store, site_ids=None, first=date(2026, 8, 1), last=LAST)
    assert told(store) == before
    assert assess(fleet, store, site_ids=None, first=None, last=LAST).site_nights == 0
    assert told(store) == before


def test_late_readings_are_assessed_again_and_raised_dates_stand(ground: Ground, tmp_path: Path) -> None:
    dead = next(t for t in ground.truth.troubles if t.cause == "failed_string")
    folder = tmp_path / "fleet"
    shutil.copytree(ground.folder, folder, ignore=shutil.ignore_patterns("aftercare.db*"))
    fleet = load_fleet(folder)
    files = sorted((folder / "incoming" / dead.site).rglob("*.csv"))
    months = [f for f in files if "2026-08" in f.name or "202608" in f.name]
    assert months
    held = folder / "held"
    held.mkdir()
    for file in months:
        shutil.move(file, held / file.name)
    store = Store.open(fleet.settings.store.url, folder)
    ingest_fleet(fleet, store, now=NOW)
    assess(fleet, store, site_ids=None, first=FIRST, last=LAST)
    (before,) = by_cause(store, "failed_string")
    for file in months:
        shutil.move(held / file.name, file)
    ingest_fleet(fleet, store, now=NOW + 3600)
    report = assess(fleet, store, site_ids=None, first=None, last=LAST)
    assert report.site_nights > 0
    (after,) = by_cause(store, "failed_string")
    assert (after.id, after.raised, after.since) == (before.id, before.raised, before.since)
    assert after.lost_kwh > before.lost_kwh
    store.close()
