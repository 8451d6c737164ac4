"""What a start of the daemon owes, and how runs are noted."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.config import load_fleet
from monitor.jobs import schedule
from monitor.jobs.schedule import Done, JobFailed, due_at_start, note_alive, run_job
from monitor.jobs.work import never
from monitor.store import Store
from monitor.store.jobs import finish_run, last_beat, last_runs, start_run

ALWAYS = {"ingest", "assess"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = Store.open("sqlite:///aftercare.db", tmp_path)
    yield store
    store.close()


def plan(store: Store, at: int) -> None:
    note_alive(store, 0, 1, {"service_digest": at})


def ran(store: Store, start: int, end: int | None, ok: bool = True) -> None:
    with store.write() as conn:
        run_id = start_run(conn, "service_digest", start)
        if end is not None:
            finish_run(conn, run_id, end, ok, "")


def test_a_new_store_owes_no_digest(store: Store) -> None:
    assert due_at_start(store, 1000) == ALWAYS


def test_a_time_that_went_by_is_owed_once(store: Store) -> None:
    plan(store, 500)
    assert due_at_start(store, 499) == ALWAYS
    assert due_at_start(store, 500) == ALWAYS | {"service_digest"}
    ran(store, 600, 610)
    assert due_at_start(store, 1000) == ALWAYS


def test_a_run_that_failed_is_owed(store: Store) -> None:
    plan(store, 5000)
    ran(store, 600, 610, ok=False)
    assert due_at_start(store, 1000) == ALWAYS | {"service_digest"}


def test_a_run_that_was_cut_short_is_owed(store: Store) -> None:
    plan(store, 5000)
    ran(store, 500, 510)
    ran(store, 600, None)
    assert due_at_start(store, 1000) == ALWAYS | {"service_digest"}


def test_a_sign_of_life_and_the_plan(store: Store) -> None:
    note_alive(store, 77, 4321, {"ingest": 900, "assess": None})
    with store.read() as conn:
        sign = last_beat(conn)
        assert sign is not None
        assert (sign.at, sign.pid) == (77, 4321)
        assert {name: state.next_run for name, state in last_runs(conn).items()} == {"ingest": 900}


@pytest.mark.parametrize(
    ("done", "problem", "failure"),
    [
        (Done("all well"), "", None),
        (Done("one left out", ok=False), "", "one left out"),
        (Done("all well"), "the configuration is wrong", "the configuration is wrong; all well"),
    ],
)
def test_a_run_is_noted(
    store: Store, fleet_folder: Path, monkeypatch: pytest.MonkeyPatch, done: Done, problem: str, failure: str | None
) -> None:
    monkeypatch.setattr(schedule, "JOBS", {"ingest": lambda *_: done})
    fleet = load_fleet(fleet_folder)
    if failure is None:
        assert run_job("ingest", fleet, store, lambda: 5, should_stop=never) == "all well"
    else:
        with pytest.raises(JobFailed, match=failure):
            run_job("ingest", fleet, store, lambda: 5, should_stop=never, problem=problem)
    with store.read() as conn:
        state = last_runs(conn)["ingest"]
    assert (state.last_success, state.last_failure) == ((5, None) if failure is None else (None, 5))
    assert state.failure_message == (failure or "")


def test_what_a_job_raises_is_noted_and_goes_on(
    store: Store, fleet_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def burst(*_: object) -> Done:
        raise ZeroDivisionError("by chance")

    monkeypatch.setattr(schedule, "JOBS", {"assess": burst})
    with pytest.raises(ZeroDivisionError):
        run_job("assess", load_fleet(fleet_folder), store, lambda: 5, should_stop=never)
    with store.read() as conn:
        assert last_runs(conn)["assess"].failure_message == "by chance"
