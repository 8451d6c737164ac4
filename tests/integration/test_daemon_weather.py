"""The daemon and a weather service: asked at its start and on time, whatever its jobs do; none holds it up."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.store import Store
from monitor.store.polls import PollState, list_polls
from tests.weather_server import Asked, Reply, WeatherServer, power

# A job that hangs, and hours that are a second long.
CODE = """
import sys, time
from pathlib import Path
from apscheduler.triggers.interval import IntervalTrigger
from monitor.daemon import log_to_stderr, serve
from monitor.jobs import schedule
def hang(*given):
    while not given[3]():
        time.sleep(0.05)
    return schedule.Done("told to stop")
schedule.JOBS = {**schedule.JOBS, "ingest": hang}
began = time.time()
clock = lambda: int(began + 3600 * (time.time() - began))
log_to_stderr()
every = lambda line, zone: IntervalTrigger(seconds=1)
sys.exit(0 if serve(Path(sys.argv[1]), clock=clock, beat_s=0.2, trigger=every) else 1)
"""


@pytest.fixture
def server(recent_fleet_folder: Path) -> Iterator[WeatherServer]:
    """A service that the first site has."""
    with WeatherServer(power) as server:
        site = recent_fleet_folder / "sites/larkrise.toml"
        site.write_text(
            f'{site.read_text()}\n[[source]]\nid = "sky"\nkind = "weather_service"\nservice = "nasa_power"\n'
            f'url = "{server.url}"\nmin_hours_between = 3\n'
        )
        yield server


@pytest.fixture
def daemon(recent_fleet_folder: Path, server: WeatherServer) -> Iterator[Callable[[], subprocess.Popen[str]]]:
    """Starts the daemon, which ends with the test."""
    started: list[subprocess.Popen[str]] = []

    def start() -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", CODE, str(recent_fleet_folder)],
            stderr=subprocess.PIPE, text=True, env={**os.environ, "NO_PROXY": "*"},
        )  # fmt: skip
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def standing(folder: Path) -> PollState | None:
    if not (folder / "aftercare.db").exists():
        return None
    store = Store.open("sqlite:///aftercare.db", folder)
    try:
        with store.read() as conn:
            return next(iter(list_polls(conn)), None)
    finally:
        store.close()


def wait_for(what: Callable[[], object], process: subprocess.Popen[str]) -> None:
    for _ in range(600):
        if what():
            return
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.1)
    raise AssertionError("waited in vain")


def test_it_fetches_on_time_while_a_job_hangs_and_rests_after_a_failure(
    recent_fleet_folder: Path, server: WeatherServer, daemon: Callable[[], subprocess.Popen[str]]
) -> None:
    server.respond = lambda asked: Reply(b"later", 503) if len(server.asked) == 1 else power(asked)
    process = daemon()
    wait_for(lambda: len(server.asked) >= 3, process)
    process.send_signal(signal.SIGTERM)
    _, log = process.communicate(timeout=60)
    assert process.returncode == 0, log
    assert "answers HTTP 503: later" in log
    assert "weather: weather of 1 sites asked for in 1 requests, 1 sites answered, " in log
    state = standing(recent_fleet_folder)
    assert state is not None
    assert (state.failures, state.trouble) == (0, "")


def test_a_service_that_hangs_does_not_hold_its_end_up(
    recent_fleet_folder: Path, server: WeatherServer, daemon: Callable[[], subprocess.Popen[str]]
) -> None:
    go_on = threading.Event()

    def respond(asked: Asked) -> Reply:
        go_on.wait(60)
        return power(asked)

    server.respond = respond
    process = daemon()
    wait_for(lambda: server.asked, process)
    process.send_signal(signal.SIGTERM)
    _, log = process.communicate(timeout=20)  # much less than the time-out of a request
    go_on.set()
    assert process.returncode == 0, log
    assert log.rstrip().endswith("stopped")
