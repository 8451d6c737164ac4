"""The daemon sends: after a digest and every now and then, each digest once, whatever happens to it or the server."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from monitor.store import Store
from monitor.store.jobs import start_run
from monitor.store.outbox import list_mail
from tests.mail_server import MailServer

# Five minutes are a second long, and the jobs run at the start only.
CODE = """
import sys, time
from pathlib import Path
from apscheduler.triggers.interval import IntervalTrigger
from monitor.daemon import log_to_stderr, serve
began = time.time()
clock = lambda: int(began + 300 * (time.time() - began))
log_to_stderr()
every = lambda line, zone: IntervalTrigger(seconds=1 if line.startswith("*/5") else 3600)
sys.exit(0 if serve(Path(sys.argv[1]), clock=clock, beat_s=0.2, trigger=every) else 1)
"""


def owe_digest(folder: Path) -> None:
    """A run was cut short, at a time that the hasty clock of no earlier daemon has reached."""
    store = Store.open("sqlite:///aftercare.db", folder)
    with store.write() as conn:
        start_run(conn, "service_digest", int(time.time()) + 1_000_000)
    store.close()


def tries(folder: Path) -> int:
    store = Store.open("sqlite:///aftercare.db", folder)
    with store.read() as conn:
        every = list_mail(conn, "waiting")
    store.close()
    return max((one.tries for one in every), default=0)


def list_names(folder: Path) -> list[str]:
    return sorted(path.stem for path in (folder / "digests").glob("service-*.html"))


def run_until(folder: Path, seen: Callable[[], object], settle_s: float = 0.0) -> str:
    """A daemon that is stopped once there is something to see; its log."""
    daemon = subprocess.Popen([sys.executable, "-c", CODE, str(folder)], stderr=subprocess.PIPE, text=True)
    try:
        for _ in range(600):
            if seen():
                break
            assert daemon.poll() is None, daemon.communicate()[1]
            time.sleep(0.1)
        else:
            raise AssertionError("waited in vain")
        time.sleep(settle_s)
        daemon.send_signal(signal.SIGTERM)
        _, log = daemon.communicate(timeout=60)
    finally:
        daemon.kill()
        daemon.communicate()
    assert daemon.returncode == 0, log
    return log


def test_it_sends_when_the_server_is_back_and_once_over_restarts(recent_fleet_folder: Path) -> None:
    folder = recent_fleet_folder
    for path in folder.rglob("*.csv"):
        os.utime(path, (1_750_000_000, 1_750_000_000))
    bare = (folder / "fleet.toml").read_text()
    owe_digest(folder)
    with MailServer() as server:
        (folder / "fleet.toml").write_text(bare + server.section(port=9))
        log = run_until(folder, lambda: tries(folder) >= 2)
        assert "service_digest done in" in log
        assert "2 files written, 1 messages queued" in log
        assert "WARNING mail: the mail server localhost:9 refused the connection: check that it is running" in log

        (folder / "fleet.toml").write_text(bare + server.section())
        log += run_until(folder, lambda: server.mails)
        assert "INFO mail: 1 message sent" in log
        owe_digest(folder)
        page = folder / "digests" / f"{list_names(folder)[0]}.html"
        page.unlink()
        again = run_until(folder, page.exists, settle_s=4.0)
        assert "2 files written, 0 messages queued" in again
        assert len(server.mails) == 1
    assert "service@example.org" not in log + again
    assert "Morning round" not in log + again
