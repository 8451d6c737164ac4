"""A demo fleet as its readers see it: whole, readable, and with exactly the troubles that it says it has."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from ingest.readers import read_file
from ingest.readings import Channel, Table
from ingest.timeline import local_day
from monitor.config import Fleet, load_fleet
from monitor.config.models import Site
from monitor.demo import FleetTruth, Trouble, make_fleet

LAST_DAY = date(2026, 7, 31)


@dataclass(frozen=True)
class Demo:
    fleet: Fleet
    truth: FleetTruth

    def trouble(self, cause: str, site: str | None = None) -> Trouble:
        return next(t for t in self.truth.troubles if t.cause == cause and site in (None, t.site))

    def columns(self, site: Site, source_id: str) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
        """Times and values by subject and quantity, the rows that are there."""
        source = next(s for s in site.source if s.id == source_id)
        tables: list[Table] = []
        for path in sorted(self.fleet.folder.glob(source.files)):
            tables += read_file(path.read_bytes(), name=path.name, source=source).tables
        channels: set[Channel] = {c for table in tables for c in table.columns}
        return {
            (c.subject, c.quantity): (
                np.concatenate([t.starts for t in tables if c in t.columns]),
                np.concatenate([t.columns[c] for t in tables if c in t.columns]),
            )
            for c in channels
        }


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("fleet")
    truth = make_fleet(folder, seed=5, last_day=LAST_DAY, months=2)
    return Demo(load_fleet(folder), truth)


def during(times: np.ndarray, site: Site, first: date, last: date) -> np.ndarray:
    return (times >= local_day(first, site.zone)[0]) & (times < local_day(last, site.zone)[1])


def test_the_configuration_has_no_fault(demo: Demo) -> None:
    assert demo.fleet.faults == ()
    assert len(demo.fleet.sites) == 8
    assert {t.site for t in demo.truth.troubles} | set(demo.truth.awkward) == {s.id for s in demo.fleet.sites}
    for site in demo.fleet.sites:
        for degrees in (site.site.latitude, site.site.longitude):
            assert degrees == round(degrees, 1)


def test_every_file_is_read_without_a_reject(demo: Demo) -> None:
    for site in demo.fleet.sites:
        for source in site.source:
            files = sorted(demo.fleet.folder.glob(source.files))
            assert files, source.id
            for path in files:
                read = read_file(path.read_bytes(), name=path.name, source=source)
                assert read.rejects == ()
                assert read.rows > 0


def test_exactly_one_string_has_failed_and_stays_at_zero(demo: Demo) -> None:
    assert [t.cause for t in demo.truth.troubles].count("failed_string") == 1
    trouble = demo.trouble("failed_string")
    site = demo.fleet.site(trouble.site)
    columns = demo.columns(site, "inv1-log")
    other = next(f"string:{s.id}" for s in site.string if f"string:{s.id}" != trouble.subject)
    times, amps = columns[trouble.subject, "dc_current"]
    after = during(times, site, trouble.first_day + timedelta(days=1), LAST_DAY)
    before = during(times, site, date(2026, 6, 1), trouble.first_day - timedelta(days=1))
    assert after.sum() > 2000
    assert np.all(amps[after] == 0.0)
    assert amps[before].max() > 3.0
    assert columns[other, "dc_current"][1][after].max() > 3.0


def test_an_inverter_that_is_off_says_zero_or_nothing(demo: Demo) -> None:
    outages = [t for t in demo.truth.troubles if t.cause == "inverter_outage"]
    assert len(outages) == 2
    for trouble in outages:
        site = demo.fleet.site(trouble.site)
        assert trouble.last_day is not None
        first, last = trouble.first_day + timedelta(days=1), trouble.last_day - timedelta(days=1)
        number = trouble.subject.removeprefix("inverter:inv")
        times, power = demo.columns(site, f"inv{number}-log")[trouble.subject, "ac_power"]
        rows = during(times, site, first, last)
        if not site.meter:
            assert rows.sum() > 200
            assert np.all(power[rows] == 0.0)
            continue
        assert rows.sum() == 0
        meter = next(c for s in site.source if s.id.startswith(f"gen{number}-") for c in [demo.columns(site, s.id)])
        meter_times, register = meter[f"meter:gen{number}", "ac_energy"]
        still = register[during(meter_times, site, first, last)]
        assert len(still) > 40
        assert np.ptp(still) == 0.0


def test_a_counter_has_gone_on_when_missing_rows_come_back(demo: Demo) -> None:
    trouble = demo.trouble("missing_data")
    site = demo.fleet.site(trouble.site)
    times, register = demo.columns(site, trouble.subject.removeprefix("source:"))["inverter:inv1", "ac_energy"]
    assert trouble.last_day is not None
    lost = during(times, site, trouble.first_day + timedelta(days=1), trouble.last_day - timedelta(days=1))
    assert not lost.any()
    gap = int(np.argmax(np.diff(times)))
    days = (times[gap + 1] - times[gap]) / 86400.0
    assert days > 2.0
    assert register[gap + 1] - register[gap] > 2.0 * days


def test_counters_agree_with_power_within_their_resolution(demo: Demo) -> None:
    checked = 0
    for site in demo.fleet.sites:
        for source in (s for s in site.source if s.id.endswith("-log") and s.id.startswith("inv")):
            columns, interval_s = demo.columns(site, source.id), source.interval_minutes * 60
            subject = f"inverter:{source.id.removesuffix('-log')}"
            (times, register), (_, power) = columns[subject, "ac_energy"], columns[subject, "ac_power"]
            unit = next(c.unit for c in source.columns if c.quantity == "ac_power")
            power = power * (1000.0 if unit == "kW" else 1.0)
            steps = np.diff(register)
            whole = (np.diff(times) == interval_s) & (steps >= 0.0)
            hours = interval_s / 3600.0
            expected = (np.maximum(power[1:], 0.0) * hours / 1000.0)[whole]
            each = 0.0101 + 0.5 * hours / 1000.0  # a count of the register, half a watt
            if source.interval_minutes == 15:  # within a quarter of an hour the dark part may pull the mean down
                each += 0.004 * hours
            assert np.abs(steps[whole] - expected).max() < each
            assert steps[whole].sum() == pytest.approx(expected.sum(), rel=2e-3)
            checked += 1
    assert checked == 9


def test_one_seed_gives_the_same_bytes_and_another_gives_another_fleet(tmp_path: Path) -> None:
    made = {}
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        (tmp_path / name).mkdir()
        make_fleet(tmp_path / name, seed=seed, last_day=LAST_DAY, months=1, sites=3)
        paths = sorted(p for p in (tmp_path / name).rglob("*") if p.is_file())
        made[name] = {str(p.relative_to(tmp_path / name)): p.read_bytes() for p in paths}
    assert made["a"] == made["b"]
    one, other = load_fleet(tmp_path / "a"), load_fleet(tmp_path / "c")
    assert one.settings.fleet.name != other.settings.fleet.name
    assert {s.id for s in one.sites}.isdisjoint(s.id for s in other.sites)
    assert {(s.site.latitude, s.site.longitude) for s in one.sites}.isdisjoint(
        (s.site.latitude, s.site.longitude) for s in other.sites
    )
    assert {s.string[0].module for s in one.sites}.isdisjoint(s.string[0].module for s in other.sites)
    assert {p.azimuth_deg for s in one.sites for p in s.plane} != {p.azimuth_deg for s in other.sites for p in s.plane}


def test_short_gaps_are_everywhere(demo: Demo) -> None:
    for site in demo.fleet.sites:
        source = next(s for s in site.source if s.id.endswith("-log"))
        times, _ = demo.columns(site, source.id)[f"inverter:{source.id.removesuffix('-log')}", "ac_power"]
        gaps = np.diff(times)[np.diff(times) > source.interval_minutes * 60]
        assert len(gaps) > 0
        assert np.median(gaps) < 11 * 3600


def test_progress_names_every_home(tmp_path: Path) -> None:
    told: list[str] = []
    make_fleet(tmp_path, seed=3, last_day=LAST_DAY, months=1, sites=2, progress=told.append)
    assert [t[-8:] for t in told] == ["(1 of 2)", "(2 of 2)"]


def test_the_sample_home_has_ten_days_and_a_string_that_opens_on_the_sixth() -> None:
    folder = Path(__file__).parents[3] / "sample_data" / "demo_home"
    assert sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) < 150_000
    fleet = load_fleet(folder)
    assert fleet.faults == ()
    (site,) = fleet.sites
    columns = Demo(fleet, FleetTruth((), {})).columns(site, "inv1-log")
    times, amps = columns["string:s2", "dc_current"]
    first = date(2026, 6, 11)
    assert during(times, site, first, first + timedelta(days=9)).all()
    assert amps[during(times, site, first, first + timedelta(days=4))].max() > 3.0
    assert np.all(amps[during(times, site, first + timedelta(days=5), first + timedelta(days=9))] == 0.0)
    assert columns["string:s1", "dc_current"][1][times >= local_day(date(2026, 6, 16), site.zone)[0]].max() > 3.0
