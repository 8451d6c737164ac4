"""What is read of many sites at once is what is read of each, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from ingest.readings import Channel, Table
from monitor.detect.ruling import Ruling
from monitor.store import Store
from monitor.store.assessed import set_assessed
from monitor.store.daily import DailyRow, energies_of, read_daily, write_daily
from monitor.store.findings import Loss, losses_of, read_losses, save_findings, write_losses
from monitor.store.memory import MemoryPart, memory_sizes, write_memory
from monitor.store.readings import last_recorded, merge_tables, recorded_span
from monitor.store.rulings import told_findings, told_findings_of, write_ruling
from tests.contract.test_store_findings import day, finding

SITES = ["larkrise", "millbeck", "nowhere"]
RULING = Ruling(
    site="larkrise", finding_id="a", day=day(4), said="repaired", note="", subject="string:s1", cause="failed_string",
    raised=day(2), renews=("string:s1",), given_at=1_780_000_000, nights_until=day(3),
)  # fmt: skip


def test_energies_without_features(store: Store) -> None:
    subjects = ("inverter:i1", "meter:m1", "module:s1/01", "module:s1/02", "site", "source:log", "string:s1")
    rows = [
        DailyRow(
            site=site, subject=subject, day=day(n), measured_kwh=n * 1.1, expected_kwh=2.2, usable=0.5,
            features={"x": 1.0},
        )
        for site in SITES[:2]
        for n in range(1, 6)
        for subject in subjects
    ]  # fmt: skip
    with store.write() as conn:
        write_daily(conn, rows)
        found = energies_of(conn, SITES, first=day(2), last=day(4), also=["module:s1/02"])
        shown = {"site", "inverter:i1", "string:s1", "module:s1/02"}
        for site in SITES:
            alone = read_daily(conn, site=site, first=day(2), last=day(4))
            assert found[site] == [replace(row, features={}) for row in alone if row.subject in shown]


def test_losses(store: Store) -> None:
    with store.write() as conn:
        save_findings(conn, [finding("a", 2), finding("b", 2, site="millbeck")])
        write_losses(conn, [Loss(name, day(n), n * 1.0, 0.0, 9.0, day(n)) for name in "ab" for n in range(1, 6)])
        write_losses(conn, [Loss("a", day(3), 7.0, 0.0, 9.0, day(5))])  # a later night counted it anew
        found = losses_of(conn, SITES, first=day(2), last=day(4))
        assert found == {site: read_losses(conn, site=site, first=day(2), last=day(4)) for site in SITES}
        assert [loss.lost_kwh for loss in found["larkrise"]] == [2.0, 7.0, 4.0]


def test_findings_under_verdicts(store: Store) -> None:
    with store.write() as conn:
        save_findings(conn, [finding("a", 2), finding("b", 2, site="millbeck")])
        write_ruling(conn, RULING)
        set_assessed(conn, "larkrise", day(3))
        found = told_findings_of(conn, SITES)
        assert found == {site: told for site in SITES if (told := told_findings(conn, site=site, include_cleared=True))}
        assert [f.state for f in found["larkrise"]] == ["cleared"]


def test_last_days_of_every_source(store: Store) -> None:
    column = Channel("inverter:i1", "ac_power", "mean", "W")
    with store.write() as conn:
        for site, source, days in (("larkrise", "log", 3), ("larkrise", "meter", 2), ("millbeck", "log", 1)):
            starts = np.arange(days, dtype=np.int64) * 86_400
            merge_tables(conn, site=site, source=source, tables=[Table(starts, {column: np.ones(days)})], now=1)
        found = last_recorded(conn, SITES)
        assert found == {"larkrise": {"log": 2, "meter": 1}, "millbeck": {"log": 0}, "nowhere": {}}
        span = recorded_span(conn, "larkrise")
        assert span is not None
        assert max(found["larkrise"].values()) == span[1]


def test_sizes_of_what_is_remembered(store: Store) -> None:
    parts = [
        MemoryPart(site=site, part=n, until=day(1) + timedelta(days=n), first=n == 0, data=b"x" * (n + size))
        for site, size in (("larkrise", 1), ("millbeck", 5))
        for n in range(3)
    ]
    with store.write() as conn:
        write_memory(conn, parts)
        assert memory_sizes(conn, SITES) == {"larkrise": 6, "millbeck": 18}
