"""The daemon as a process of its own: what it does at its start, on time, and when told to stop."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.store import Store
from monitor.store.jobs import last_beat, last_runs, set_next_run

AFTERCARE = "from monitor.cli import main; main()"
# The same daemon with another idea of a cron line, and signs of life more often than a test likes to wait.
HASTY = """
import sys
from pathlib import Path
from apscheduler.triggers.interval import IntervalTrigger
from monitor.clock import system_clock
from monitor.daemon import log_to_stderr, serve
log_to_stderr()
every = lambda line, zone: IntervalTrigger(seconds=1)
sys.exit(0 if serve(Path(sys.argv[2]), clock=system_clock, beat_s=0.2, trigger=every) else 1)
"""
# A job that hangs, or a scheduler whose thread dies, and little patience.
TROUBLED = """
import sys, time
from pathlib import Path
from monitor.clock import system_clock
from monitor.daemon import Daemon, log_to_stderr, serve
from monitor.jobs import schedule
def hang(*_):
    print("hanging", flush=True)
    time.sleep(600)
def die(self):
    self._scheduler._thread.is_alive = lambda: False
    return {}
if DIES:
    Daemon._next_runs = die
else:
    schedule.JOBS = {**schedule.JOBS, "ingest": hang}
log_to_stderr()
sys.exit(0 if serve(Path(sys.argv[2]), clock=system_clock, beat_s=0.2, drain_s=PATIENCE) else 1)
"""
Start = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def start(recent_fleet_folder: Path) -> Iterator[Start]:
    """Starts a process on the fleet folder, which ends with the test."""
    started = []

    def start(code: str = AFTERCARE, **env: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", code, "run", str(recent_fleet_folder)],
            stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, **env},
        )  # fmt: skip
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


@pytest.fixture
def old_exports(recent_fleet_folder: Path) -> Path:
    """The fleet folder with exports that nobody writes to any more."""
    for path in recent_fleet_folder.rglob("*.csv"):
        os.utime(path, (1_750_000_000, 1_750_000_000))
    return recent_fleet_folder


def status(folder: Path) -> dict[str, object]:
    done = subprocess.run(
        [sys.executable, "-c", AFTERCARE, "status", str(folder), "--json"], capture_output=True, text=True, check=True
    )
    document: dict[str, object] = json.loads(done.stdout)
    return document


def wait_for(what: Callable[[], object], process: subprocess.Popen[str]) -> object:
    """Look until there is something to see; a process that ends instead fails the test."""
    for _ in range(600):
        seen = what()
        if seen:
            return seen
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.1)
    raise AssertionError("waited in vain")


def successes(folder: Path, *jobs: str) -> list[int] | None:
    """When these jobs last succeeded, once all of them did."""
    if not (folder / "aftercare.db").exists():
        return None
    store = Store.open("sqlite:///aftercare.db", folder)
    try:
        with store.read() as conn:
            runs = last_runs(conn)
    finally:
        store.close()
    times = [runs[job].last_success if job in runs else None for job in jobs]
    return [at for at in times if at is not None] if None not in times else None


def beating_process(folder: Path) -> int | None:
    """Who gave the last sign of life."""
    store = Store.open("sqlite:///aftercare.db", folder)
    try:
        with store.read() as conn:
            sign = last_beat(conn)
    finally:
        store.close()
    return sign.pid if sign else None


def test_it_ingests_and_assesses_at_its_start_and_ends_in_order(start: Start, old_exports: Path) -> None:
    daemon = start()
    wait_for(lambda: successes(old_exports, "ingest", "assess"), daemon)
    standing = status(old_exports)
    assert standing["daemon"]["alive"] is True  # type: ignore[index]
    assert standing["daemon"]["process"] == daemon.pid  # type: ignore[index]
    assert [s["files"] for s in standing["sources"]] == [6, 6]  # type: ignore[attr-defined]
    assert standing["waiting"] == []
    assert standing["jobs"]["service_digest"]["last_success"] is None  # type: ignore[index]
    assert standing["jobs"]["service_digest"]["next_run"] is not None  # type: ignore[index]

    second = start()
    _, message = second.communicate(timeout=60)
    assert second.returncode == 3
    assert f"a daemon (process {daemon.pid}) is already at work on this store; expected only one" in message

    daemon.send_signal(signal.SIGTERM)
    _, log = daemon.communicate(timeout=60)
    assert daemon.returncode == 0
    assert "ingest done in" in log
    assert log.rstrip().endswith("INFO stopped")
    assert status(old_exports)["daemon"]["alive"] is False  # type: ignore[index]


def test_a_digest_missed_while_it_was_down_is_written_at_the_start(start: Start, old_exports: Path) -> None:
    store = Store.open("sqlite:///aftercare.db", old_exports)
    with store.write() as conn:
        set_next_run(conn, "service_digest", 1_750_000_000)
    store.close()
    daemon = start()
    wait_for(lambda: successes(old_exports, "service_digest"), daemon)
    assert list((old_exports / "digests").glob("service-*.html"))
    daemon.send_signal(signal.SIGINT)
    daemon.communicate(timeout=60)
    assert daemon.returncode == 0


def test_jobs_run_by_their_triggers_and_a_broken_configuration_keeps_the_old_one(
    start: Start, old_exports: Path
) -> None:
    daemon = start(HASTY)
    jobs = ("ingest", "assess", "service_digest", "homeowner_digest")
    first = wait_for(lambda: successes(old_exports, *jobs), daemon)
    wait_for(lambda: min(successes(old_exports, *jobs) or [0]) > max(first), daemon)  # type: ignore[call-overload]

    fleet_file = old_exports / "fleet.toml"
    good = fleet_file.read_text()
    fleet_file.write_text(good.replace("timezone", "timezon"))

    def complaint() -> str:
        store = Store.open("sqlite:///aftercare.db", old_exports)
        with store.read() as conn:
            message = last_runs(conn)["ingest"].failure_message
        store.close()
        return message

    message = wait_for(complaint, daemon)
    assert str(message).startswith("the configuration is wrong, the earlier one stays in force: fleet.toml: ")
    assert "12 known" in str(message)
    fleet_file.write_text(good)
    broken_until = time.time()
    wait_for(lambda: (successes(old_exports, "ingest") or [0])[0] > broken_until, daemon)
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate(timeout=60)
    assert daemon.returncode == 0


def test_a_killed_daemon_leaves_nothing_in_the_way(start: Start, old_exports: Path) -> None:
    first = start()
    wait_for(lambda: successes(old_exports, "assess"), first)
    first.kill()
    first.communicate()
    second = start()
    wait_for(lambda: beating_process(old_exports) == second.pid, second)
    second.send_signal(signal.SIGTERM)
    second.communicate(timeout=60)
    assert second.returncode == 0


def test_the_service_manager_is_told(start: Start, old_exports: Path, tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(60)
        daemon = start(NOTIFY_SOCKET=address)
        assert [manager.recv(99), manager.recv(99)] == [b"READY=1", b"WATCHDOG=1"]
        daemon.send_signal(signal.SIGTERM)
        assert manager.recv(99) == b"STOPPING=1"
        daemon.communicate(timeout=60)
    assert daemon.returncode == 0


def hanging(start: Start, patience: int) -> subprocess.Popen[str]:
    """A daemon whose first job hangs."""
    daemon = start(TROUBLED.replace("DIES", "False").replace("PATIENCE", str(patience)))
    assert daemon.stdout is not None
    assert daemon.stdout.readline() == "hanging\n"
    daemon.send_signal(signal.SIGTERM)
    return daemon


def test_a_job_that_hangs_is_left_after_a_while(start: Start, old_exports: Path) -> None:
    daemon = hanging(start, patience=1)
    _, log = daemon.communicate(timeout=60)
    assert daemon.returncode == 1
    assert "a job did not end within 1 s; leaving it" in log


def test_a_second_signal_ends_it_at_once(start: Start, old_exports: Path) -> None:
    daemon = hanging(start, patience=500)
    assert daemon.stderr is not None
    while "ending the current unit of work" not in daemon.stderr.readline():
        assert daemon.poll() is None
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate(timeout=60)
    assert daemon.returncode == 1


def test_a_dead_scheduler_ends_the_process(start: Start, old_exports: Path) -> None:
    daemon = start(TROUBLED.replace("DIES", "True").replace("PATIENCE", "30"))
    _, log = daemon.communicate(timeout=60)
    assert daemon.returncode == 1
    assert "the scheduler stopped by itself" in log


def test_a_wrong_configuration_starts_nothing(start: Start, recent_fleet_folder: Path) -> None:
    (recent_fleet_folder / "fleet.toml").write_text("[fleet]\n")
    daemon = start()
    _, message = daemon.communicate(timeout=60)
    assert daemon.returncode == 2
    assert "fleet.toml: fleet.name: missing" in message
    assert not (recent_fleet_folder / "aftercare.db").exists()
