"""The daemon and devices on the bus: polled at its start and on time, whatever its jobs are at."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from monitor.store import Store
from monitor.store.polls import PollState, list_polls
from monitor.store.readings import list_channels
from tests.bus_devices import LOOPBACK, Device, closed_port, sunspec_words

# A job that hangs, and minutes that are a second long.
CODE = """
import sys, time
from pathlib import Path
from apscheduler.triggers.interval import IntervalTrigger
from monitor.daemon import log_to_stderr, serve
from monitor.jobs import schedule
ingest = schedule.JOBS["ingest"]
def hang(*given):
    while not given[3]():
        time.sleep(0.05)
    return schedule.Done("told to stop")
schedule.JOBS = {**schedule.JOBS, "ingest": hang}
began = time.time()
clock = lambda: int(began + 60 * (time.time() - began))
log_to_stderr()
every = lambda line, zone: IntervalTrigger(seconds=1)
sys.exit(0 if serve(Path(sys.argv[1]), clock=clock, beat_s=0.2, trigger=every) else 1)
"""


def polls(folder: Path) -> dict[str, PollState]:
    if not (folder / "aftercare.db").exists():
        return {}
    store = Store.open("sqlite:///aftercare.db", folder)
    try:
        with store.read() as conn:
            return {state.source: state for state in list_polls(conn)}
    finally:
        store.close()


def wait_for(what: Callable[[], object], process: subprocess.Popen[str]) -> None:
    for _ in range(600):
        if what():
            return
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.1)
    raise AssertionError("waited in vain")


def test_it_polls_on_time_while_a_job_hangs_and_rests_after_failures(recent_fleet_folder: Path) -> None:
    site, nobody = recent_fleet_folder / "sites/larkrise.toml", closed_port()
    with Device({1: {40_000: sunspec_words(power_w=1500, energy_wh=9000)}}) as device:
        for name, port in (("roof", device.port), ("cellar", nobody)):
            site.write_text(
                f'{site.read_text()}\n[[source]]\nid = "{name}"\nkind = "modbus_tcp"\nhost = "{LOOPBACK}"\n'
                f'port = {port}\ninterval_minutes = 1\nmodel = "sunspec"\nretries = 0\n'
            )
        daemon = subprocess.Popen(
            [sys.executable, "-c", CODE, str(recent_fleet_folder)], stderr=subprocess.PIPE, text=True
        )
        try:
            wait_for(lambda: device.connections >= 3 and polls(recent_fleet_folder)["cellar"].failures >= 2, daemon)
            daemon.send_signal(signal.SIGTERM)
            _, log = daemon.communicate(timeout=60)
        finally:
            daemon.kill()
            daemon.communicate()
    assert daemon.returncode == 0, log
    assert "polling: 2 devices polled, 1 answered, 3 readings new" in log
    assert f"polling: larkrise/cellar: {LOOPBACK}:{nobody}: cannot be reached: Connection refused" in log
    states = polls(recent_fleet_folder)
    assert (states["roof"].failures, states["roof"].trouble) == (0, "")
    assert states["cellar"].failures < device.connections
    assert device.functions == {3}
    store = Store.open("sqlite:///aftercare.db", recent_fleet_folder)
    with store.read() as conn:
        assert list(list_channels(conn, "larkrise")) == ["roof"]
    store.close()
