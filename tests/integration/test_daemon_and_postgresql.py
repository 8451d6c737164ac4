"""The daemon on a PostgreSQL server that is stopped under it, and daemons of two machines on one server."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.clock import system_clock
from monitor.config import load_fleet
from monitor.jobs.standing import look
from monitor.store import Store
from monitor.store.jobs import last_runs
from tests.cluster import Cluster

# The daemon with another idea of a cron line, and signs of life more often than a test likes to wait.
HASTY = """
import sys
from pathlib import Path
from apscheduler.triggers.interval import IntervalTrigger
from monitor.clock import system_clock
from monitor.daemon import log_to_stderr, serve
log_to_stderr()
every = lambda line, zone: IntervalTrigger(seconds=1)
sys.exit(0 if serve(Path(sys.argv[1]), clock=system_clock, beat_s=0.2, trigger=every) else 1)
"""
PLAIN = "import sys; from monitor.cli import main; sys.argv[1:] = ['run', sys.argv[1]]; main()"
Start = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Starts a daemon on a folder, its log in a file; it ends with the test."""
    started = []

    def start(folder: Path, program: str = HASTY) -> subprocess.Popen[str]:
        with (tmp_path / f"log{len(started)}").open("w") as log:
            process = subprocess.Popen([sys.executable, "-c", program, str(folder)], stderr=log, text=True)
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()


@pytest.fixture
def folder(recent_fleet_folder: Path) -> Path:
    """A fleet folder with exports that nobody writes to any more."""
    for path in recent_fleet_folder.rglob("*.csv"):
        os.utime(path, (1_750_000_000, 1_750_000_000))
    return recent_fleet_folder


def on(url: str, folder: Path) -> Path:
    with (folder / "fleet.toml").open("a") as fleet:
        fleet.write(f'\n[store]\nurl = "{url}"\n')
    return folder


def wait_for(what: Callable[[], object], process: subprocess.Popen[str], log: Path) -> None:
    for _ in range(600):
        if what():
            return
        assert process.poll() is None, log.read_text()
        time.sleep(0.1)
    raise AssertionError(f"waited in vain: {log.read_text()}")


def success(url: str, folder: Path, job: str) -> int:
    """When a job last succeeded; 0: never."""
    with closing(Store.open(url, folder)) as store, store.read() as conn:
        runs = last_runs(conn)
    return (runs[job].last_success or 0) if job in runs else 0


def test_it_goes_on_when_the_database_is_back(cluster: Cluster, folder: Path, start: Start, tmp_path: Path) -> None:
    server, log = Cluster(cluster.programs), tmp_path / "log0"
    try:
        url = server.url("postgres")
        daemon = start(on(url, folder))
        wait_for(lambda: success(url, folder, "assess"), daemon, log)
        server.stop()
        wait_for(lambda: "ERROR ingest failed: the store postgresql" in log.read_text(), daemon, log)
        server.start()
        back_at = time.time() + 1
        wait_for(lambda: success(url, folder, "ingest") > back_at, daemon, log)
        assert "Traceback" not in log.read_text()
        with closing(Store.open(url, folder)) as store:
            wait_for(lambda: look(load_fleet(folder), store, system_clock()).daemon.alive, daemon, log)
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(60) == 0
    finally:
        server.remove()


def test_of_two_machines_one_has_the_daemon(cluster: Cluster, folder: Path, start: Start, tmp_path: Path) -> None:
    cluster.run("CREATE DATABASE shared")
    url = cluster.url("shared")
    other = Path(shutil.copytree(on(url, folder), tmp_path / "other machine"))
    first = start(folder)
    wait_for(lambda: success(url, folder, "ingest"), first, tmp_path / "log0")
    second = start(other, PLAIN)
    assert second.wait(60) == 3
    told = (tmp_path / "log1").read_text()
    assert "a daemon (connected from the database's own machine) is already at work on this store" in told
    with closing(Store.open(url, other)) as store:
        assert look(load_fleet(other), store, system_clock()).daemon.alive  # told wherever one asks
        first.kill()
        first.wait()
        third = start(other)

        def is_third() -> bool:
            daemon = look(load_fleet(other), store, system_clock()).daemon
            return daemon.alive and daemon.pid == third.pid

        wait_for(is_third, third, tmp_path / "log2")


def test_a_daemon_that_was_taken_over_ends(cluster: Cluster, folder: Path, start: Start, tmp_path: Path) -> None:
    cluster.run("CREATE DATABASE overtaken")
    url, log = cluster.url("overtaken"), tmp_path / "log0"
    daemon = start(on(url, folder))
    wait_for(lambda: success(url, folder, "ingest"), daemon, log)
    daemon.send_signal(signal.SIGSTOP)
    held = "FROM pg_locks WHERE locktype = 'advisory' AND granted"
    cluster.run(f"SELECT pg_terminate_backend(pid) {held}")
    with closing(Store.open(url, folder)) as other:
        while cluster.run(f"SELECT pid {held}"):
            time.sleep(0.05)
        other.claim()
        daemon.send_signal(signal.SIGCONT)
        assert daemon.wait(60) == 1
    assert "ending, as another one took over" in log.read_text()
