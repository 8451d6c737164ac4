"""What keeping daily figures, baselines, progress and job runs promises, on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from monitor.store import Store
from monitor.store.assessed import assessed_until, set_assessed
from monitor.store.baselines import Baseline, drop_baselines, read_baselines, write_baseline
from monitor.store.daily import DailyRow, drop_daily, read_daily, write_daily
from monitor.store.jobs import (
    KEEP_RUNS_S,
    Beat,
    JobState,
    beat,
    finish_run,
    last_beat,
    last_runs,
    set_next_run,
    start_run,
)
from monitor.store.memory import MemoryPart, read_memory, write_memory

DAYS = [date(2026, 3, n) for n in range(28, 32)]


def test_daily_rows_come_back_in_order_and_narrowed(store: Store) -> None:
    rows = [
        DailyRow(
            site="larkrise", subject=subject, day=day, measured_kwh=1.1, usable=0.5, features={"a": None, "b": 0.1}
        )
        for day in DAYS
        for subject in ("inverter:i", "string:s")
    ]
    with store.write() as conn:
        write_daily(conn, [*rows[::-1], replace(rows[0], site="elsewhere")])
        assert read_daily(conn, site="larkrise") == rows
        assert read_daily(conn, site="larkrise", subject="string:s", first=DAYS[1], last=DAYS[2]) == [rows[3], rows[5]]


def test_a_daily_row_is_replaced_and_what_cannot_be_told_is_none(store: Store) -> None:
    row = DailyRow(site="larkrise", subject="site", day=DAYS[0], expected_kwh=2.0, irradiation_source="sensor")
    unknown = replace(row, expected_kwh=float("nan"), features={"gain": float("nan")}, irradiation_source=None)
    with store.write() as conn:
        write_daily(conn, [row])
        write_daily(conn, [unknown])
        assert read_daily(conn, site="larkrise") == [replace(unknown, expected_kwh=None, features={"gain": None})]


def test_daily_rows_are_dropped_from_a_day_on(store: Store) -> None:
    rows = [DailyRow(site=site, subject="site", day=day) for site in ("elsewhere", "larkrise") for day in DAYS]
    with store.write() as conn:
        write_daily(conn, rows)
        drop_daily(conn, site="larkrise", from_day=DAYS[1])
        assert read_daily(conn, site="larkrise") == rows[4:5]
        assert read_daily(conn, site="elsewhere") == rows[:4]


def test_memory_parts_come_back_by_site_and_go_with_the_days_in_them(store: Store) -> None:
    parts = [
        MemoryPart(site=site, part=n, until=date(2026, 3, 10 * n), first=n == 1, data=bytes([n]))
        for site in ("elsewhere", "larkrise")
        for n in (1, 2, 3)
    ]
    with store.write() as conn:
        write_memory(conn, parts[::-1])
        write_memory(conn, [replace(parts[5], data=b"again")])
        found = read_memory(conn, ["larkrise", "nowhere"], since=2)
        assert found == {"larkrise": [parts[4], replace(parts[5], data=b"again")], "nowhere": []}
        drop_daily(conn, site="larkrise", from_day=date(2026, 3, 20))
        found = read_memory(conn, ["larkrise", "elsewhere"], since=0)
        assert found == {"larkrise": parts[3:4], "elsewhere": parts[:3]}


def test_baselines_have_epochs_and_are_dropped_by_what_they_learned(store: Store) -> None:
    first = Baseline(
        site="larkrise", subject="string:s", learned_from=DAYS[0], learned_until=DAYS[1], values={"g": 1.0}
    )
    second = replace(first, epoch=1, frozen_on=DAYS[3], learned_until=DAYS[2], values={"g": [0.9, None]})
    with store.write() as conn:
        for baseline in (second, replace(first, values={}), first, replace(second, site="elsewhere")):
            write_baseline(conn, baseline)
        assert read_baselines(conn, "larkrise") == [first, second]
        drop_baselines(conn, "larkrise", learned_after=DAYS[1])
        assert read_baselines(conn, "larkrise") == [first]
        assert len(read_baselines(conn, "elsewhere")) == 1


def test_progress_is_told_per_site_and_taken_back(store: Store) -> None:
    with store.write() as conn:
        assert assessed_until(conn, "larkrise") is None
        for day in (DAYS[2], DAYS[1]):
            set_assessed(conn, "larkrise", day)
            assert assessed_until(conn, "larkrise") == day
        assert assessed_until(conn, "elsewhere") is None
        set_assessed(conn, "larkrise", None)
        assert assessed_until(conn, "larkrise") is None


def test_a_job_tells_its_last_start_success_and_failure(store: Store) -> None:
    with store.write() as conn:
        finish_run(conn, start_run(conn, "ingest", 10), 11, True, "")
        finish_run(conn, start_run(conn, "ingest", 20), 21, False, "first trouble")
        finish_run(conn, start_run(conn, "ingest", 30), 31, False, "second trouble")
        finish_run(conn, start_run(conn, "ingest", 40), 41, True, "12 files")
        start_run(conn, "ingest", 50)
        set_next_run(conn, "ingest", 60)
        set_next_run(conn, "assess", 70)
        set_next_run(conn, "assess", 75)
        assert last_runs(conn) == {
            "assess": JobState(job="assess", next_run=75),
            "ingest": JobState(
                job="ingest", last_start=50, last_success=41, last_failure=31, failure_message="second trouble",
                next_run=60,
            ),
        }  # fmt: skip
        set_next_run(conn, "assess", None)
        assert list(last_runs(conn)) == ["ingest"]


def test_old_runs_are_forgotten_but_not_the_last_of_each_outcome(store: Store) -> None:
    with store.write() as conn:
        for at in (0, 100, 200):
            finish_run(conn, start_run(conn, "ingest", at), at + 1, True, "")
            finish_run(conn, start_run(conn, "ingest", at), at + 2, False, f"trouble at {at}")
        finish_run(conn, start_run(conn, "assess", 0), 1, True, "")
        start_run(conn, "ingest", KEEP_RUNS_S + 1000)
        state = last_runs(conn)["ingest"]
        assert (state.last_success, state.last_failure, state.failure_message) == (201, 202, "trouble at 200")
        assert last_runs(conn)["assess"].last_success == 1
        runs = conn.exec_driver_sql("SELECT started_at FROM job_run WHERE job = 'ingest' ORDER BY 1").scalars().all()
        assert runs == [200, 200, KEEP_RUNS_S + 1000]


def test_there_is_one_last_sign_of_life(store: Store) -> None:
    with store.write() as conn:
        assert last_beat(conn) is None
        beat(conn, 10, 77)
        beat(conn, 20, 78)
        assert last_beat(conn) == Beat(20, 78)
