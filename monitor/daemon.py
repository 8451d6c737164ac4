"""`aftercare run`: the clockwork that starts the jobs of `[schedule]`, until told to stop.

The scheduling library is a ticker only: its jobs live in memory, and what a job has to do it asks the store. One
worker thread runs them, so that no two jobs overlap. Beside them, on a thread each, devices are polled every minute,
weather is fetched every hour, and what waits in the outbox is sent: these wait for no job, and no job for them.
The main thread watches, and tells the store that all is well.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from types import FrameType

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from ingest.errors import AftercareError
from monitor.clock import Clock
from monitor.config import Fleet, load_fleet
from monitor.cron import cron_trigger
from monitor.jobs import fetching, mailing, polling
from monitor.jobs.fetching import Fetcher
from monitor.jobs.polling import Poller
from monitor.jobs.schedule import JOBS, due_at_start, note_alive, run_job
from monitor.lock import AlreadyRunning, lock_path, only_instance
from monitor.store import Store

log = logging.getLogger("aftercare")

TriggerMaker = Callable[[str, tzinfo], BaseTrigger]
Told = tuple[str, Sequence[str]]  # what work beside the jobs did, empty if nothing, and what troubled it
_EVERY_MINUTE = "* * * * *"
_EVERY_FIVE_MINUTES = "*/5 * * * *"
_EVERY_HOUR = "23 * * * *"  # not on the hour, when everybody asks
_ROUND_S = 50.0  # so that a round is over before the next one; devices that are slower go on meanwhile


def serve(
    folder: Path, *, clock: Clock, beat_s: float = 15.0, drain_s: float = 60.0, trigger: TriggerMaker = cron_trigger
) -> bool:
    """Run until SIGTERM or SIGINT; True when told to stop, False when the clockwork failed.

    Raises ConfigurationError, AlreadyRunning and StoreUnavailable before anything is started. A second signal ends
    the process at once.
    """
    fleet = load_fleet(folder)
    with only_instance(lock_path(fleet.settings.store.url, fleet.folder)):
        store = Store.open(fleet.settings.store.url, fleet.folder)
        try:
            store.claim()
            return Daemon(fleet, store, clock, trigger).run(beat_s=beat_s, drain_s=drain_s)
        finally:
            store.close()


class Daemon:
    """The scheduler, the fleet as last read, and the wish to stop."""

    def __init__(self, fleet: Fleet, store: Store, clock: Clock, trigger: TriggerMaker) -> None:
        self._fleet, self._store, self._clock, self._trigger = fleet, store, clock, trigger
        self._stop = threading.Event()
        self._at_work = threading.Lock()
        self._beside: dict[str, tuple[str, Callable[[], Told]]] = {
            "polling": (_EVERY_MINUTE, self._poll),
            "weather": (_EVERY_HOUR, self._fetch),
            "mail": (_EVERY_FIVE_MINUTES, self._mail),
        }
        self._busy = {name: threading.Lock() for name in self._beside}
        self._poller, self._fetcher = Poller(store, clock), Fetcher(store, clock)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={name: ThreadPoolExecutor(1) for name in ("default", *self._beside)},
            # A run that is late is still wanted, once, and a job never overtakes itself.
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def run(self, *, beat_s: float, drain_s: float) -> bool:
        """Start the jobs, watch over them, and end in order."""
        before = {one: signal.signal(one, self._on_signal) for one in (signal.SIGTERM, signal.SIGINT)}
        try:
            self._plan(at_start=True)
            for name, (line, _) in self._beside.items():
                self._start_beside(name, self._trigger(line, UTC))
            self._scheduler.start()
            log.info("watching %d sites of %s", len(self._fleet.sites), self._fleet.settings.fleet.name)
            for fault in self._fleet.faults:
                log.warning("%s", fault)
            notify_service_manager("READY=1")
            well = self._watch(beat_s)
            notify_service_manager("STOPPING=1")
            self._drain(drain_s)
            return well
        finally:
            for one, handler in before.items():
                signal.signal(one, handler)

    def _plan(self, *, at_start: bool = False) -> None:
        """(Re)place the four jobs; at the start those that are due run at once, in the order of the table."""
        schedule, zone = self._fleet.settings.schedule, self._fleet.zone
        due = due_at_start(self._store, self._clock()) if at_start else frozenset()
        now = datetime.now(UTC)
        for i, name in enumerate(JOBS):
            # The library starts what is due at one moment in the order of the ids.
            when = {"next_run_time": now + timedelta(milliseconds=i)} if name in due else {}
            self._scheduler.add_job(
                self._run_job,
                self._trigger(getattr(schedule, name), zone),
                args=[name],
                id=f"{i} {name}",
                name=name,
                replace_existing=True,
                **when,
            )

    def _run_job(self, name: str) -> None:
        if self._stop.is_set():
            return
        with self._at_work:
            began_s = time.monotonic()
            problem = self._read_again()
            try:
                message = run_job(
                    name, self._fleet, self._store, self._clock, should_stop=self._stop.is_set, problem=problem
                )
            except AftercareError as error:
                if self._stop.is_set():
                    log.info("%s ended before its time: %s", name, error)
                else:
                    log.error("%s failed: %s", name, error)
            except Exception:
                log.exception("%s failed", name)
            else:
                log.info("%s done in %.1f s: %s", name, time.monotonic() - began_s, message)
        if name.endswith("_digest"):
            self._start_beside("mail")

    def _start_beside(self, name: str, trigger: BaseTrigger | None = None) -> None:
        """Do work beside the jobs now, and then as its trigger says, if it has one."""
        # Once told to stop, the scheduler is on its way out and takes nothing any more.
        if not self._stop.is_set():
            self._scheduler.add_job(
                self._run_beside, trigger, args=[name], executor=name, next_run_time=datetime.now(UTC)
            )

    def _run_beside(self, name: str) -> None:
        if self._stop.is_set():
            return
        with self._busy[name]:
            try:
                line, troubles = self._beside[name][1]()
            except AftercareError as error:
                log.error("%s: %s", name, error)
            except Exception:
                log.exception("%s failed", name)
            else:
                if line:
                    log.info("%s: %s", name, line)
                for trouble in troubles:
                    log.warning("%s: %s", name, trouble)

    def _poll(self) -> Told:
        """Poll the devices that are due; how each one stands is kept in the store."""
        report = self._poller.poll(self._fleet, due_only=True, round_s=_ROUND_S, should_stop=self._stop.is_set)
        return polling.summary(report) if report.polled else "", report.failed

    def _fetch(self) -> Told:
        """Fetch the weather that is due; how each service stands is kept in the store."""
        report = self._fetcher.fetch(self._fleet, should_stop=self._stop.is_set)
        return fetching.summary(report) if report.requests else "", report.failed

    def _mail(self) -> Told:
        """Send what waits in the outbox; how each message stands is kept there."""
        report = mailing.send_waiting(self._fleet, self._store, self._clock, should_stop=self._stop.is_set)
        return mailing.summary(report) if report.sent or report.failed else "", report.failed

    def _read_again(self) -> str:
        """Take the fleet folder as it is now; a broken one leaves the old in force and is told."""
        try:
            fleet = load_fleet(self._fleet.folder)
        except AftercareError as error:
            log.error("the configuration is wrong, the earlier one stays in force: %s", error)
            return f"the configuration is wrong, the earlier one stays in force: {error}"
        old, self._fleet = self._fleet, fleet
        if fleet.settings.store != old.settings.store:
            log.warning("[store] changed; it is taken at the next start of the daemon")
        if (fleet.settings.schedule, fleet.zone) != (old.settings.schedule, old.zone):
            log.info("[schedule] changed; the jobs are planned anew")
            self._plan()
        return ""

    def _watch(self, beat_s: float) -> bool:
        """Until the stop: tell the store and the service manager that all is well, if it is."""
        while True:
            # After an error inside, the library's thread may be gone while it still calls itself running.
            if not self._scheduler._thread.is_alive():
                log.error("the scheduler stopped by itself; ending, so that the service manager starts anew")
                return False
            try:
                self._store.claim()  # which a database that was stopped meanwhile has forgotten
                note_alive(self._store, self._clock(), os.getpid(), self._next_runs())
                notify_service_manager("WATCHDOG=1")
            except AlreadyRunning as error:
                log.error("%s; ending, as another one took over", error)
                return False
            except AftercareError as error:
                log.error("%s", error)
            if self._stop.wait(beat_s):
                return True

    def _next_runs(self) -> dict[str, int | None]:
        jobs = {job.name: job.next_run_time for job in self._scheduler.get_jobs() if job.name in JOBS}
        return {name: None if at is None else int(at.timestamp()) for name, at in jobs.items()}

    def _drain(self, drain_s: float) -> None:
        """Let the unit at work end; a job that hangs does not keep the process."""
        log.info("ending the current unit of work")
        self._stop.set()
        self._scheduler.shutdown(wait=False)
        for lock in (self._at_work, *self._busy.values()):
            if not lock.acquire(timeout=drain_s):
                log.error("a job did not end within %.0f s; leaving it", drain_s)
                logging.shutdown()
                os._exit(1)
            lock.release()
        log.info("stopped")

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        if self._stop.is_set():
            os._exit(1)
        self._stop.set()


def notify_service_manager(state: str) -> None:
    """Tell systemd, if it started this process and asked for it."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.sendto(state.encode(), "\0" + address[1:] if address.startswith("@") else address)


def log_to_stderr() -> None:
    """One line an event, in UTC."""
    handler = logging.StreamHandler()
    formatter = logging.Formatter("%(asctime)sZ %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S")
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    for library in ("apscheduler", "alembic"):
        logging.getLogger(library).setLevel(logging.WARNING)
