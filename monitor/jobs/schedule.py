"""The four scheduled jobs by name, each run noted in the store; and what is due when the daemon starts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ingest.errors import AftercareError, StoreUnavailable
from monitor.clock import Clock
from monitor.config import Fleet
from monitor.jobs import assessing, board, digests, ingesting
from monitor.jobs.work import JOB_NAMES, ShouldStop, noted_run
from monitor.store import Store
from monitor.store.jobs import JobState, beat, last_runs, set_next_run

# A file that was changed less than this ago may still be written by whoever sends it.
SETTLE_S = 120


@dataclass(frozen=True, slots=True)
class Done:
    """What a job did, in one line, and whether it did all of it."""

    message: str
    ok: bool = True


class JobFailed(AftercareError):
    """A run that ended before its time or left something out; the message says what."""


Job = Callable[[Fleet, Store, int, ShouldStop], Done]


def _ingest(fleet: Fleet, store: Store, now: int, should_stop: ShouldStop) -> Done:
    report = ingesting.ingest_fleet(fleet, store, now=now, settle_s=SETTLE_S, should_stop=should_stop)
    line = "; ".join([ingesting.summary(report), *report.failed])
    return Done(line, ok=not report.failed)


def _assess(fleet: Fleet, store: Store, now: int, should_stop: ShouldStop) -> Done:
    report = assessing.assess_fleet(fleet, store, now=now, should_stop=should_stop)
    line = "; ".join([assessing.summary(report), *report.failed])
    told = _board(fleet, store, should_stop)
    return Done("; ".join(part for part in (line, told.message) if part), ok=told.ok and not report.failed)


def _board(fleet: Fleet, store: Store, should_stop: ShouldStop) -> Done:
    """The board after the nights, where [board] wants one; its trouble is told and takes nothing of them back."""
    if fleet.settings.board is None or should_stop():
        return Done("")
    try:
        report = board.write_board(fleet, store, board.board_folder(fleet), should_stop=should_stop)
    except StoreUnavailable:
        raise
    except AftercareError as error:
        return Done(str(error), ok=False)
    if report is None:
        return Done("")
    return Done("; ".join([board.summary(report), *report.failed]), ok=not report.failed)


def _service_digest(fleet: Fleet, store: Store, now: int, _should_stop: ShouldStop) -> Done:
    return _issued(digests.issue_service_digest(fleet, store, digests.planned_outlets(fleet), now=now))


def _homeowner_digest(fleet: Fleet, store: Store, now: int, should_stop: ShouldStop) -> Done:
    outlets = digests.planned_outlets(fleet)
    return _issued(digests.issue_homeowner_digests(fleet, store, outlets, now=now, should_stop=should_stop))


def _issued(issued: digests.Issued) -> Done:
    line = f"{len(issued.paths)} files written, {issued.queued} messages queued"
    return Done("; ".join([line, *issued.failed]), ok=not issued.failed)


JOBS: Mapping[str, Job] = dict(zip(JOB_NAMES, (_ingest, _assess, _service_digest, _homeowner_digest), strict=True))
# These catch up by themselves whenever they run, so every start of the daemon begins with them.
ALWAYS_AT_START = frozenset({"ingest", "assess"})


def run_job(name: str, fleet: Fleet, store: Store, clock: Clock, *, should_stop: ShouldStop, problem: str = "") -> str:
    """Run a job and note it; return what it did, raise JobFailed if that was not all.

    `problem` is something that went wrong before the job and is noted with it.
    """
    with noted_run(store, name, clock) as outcome:
        done = JOBS[name](fleet, store, clock(), should_stop)
        stopped = "told to stop before the end" if should_stop() else ""
        outcome.message = "; ".join(part for part in (problem, stopped, done.message) if part)
        outcome.ok = done.ok and not problem and not stopped
    if not outcome.ok:
        raise JobFailed(outcome.message)
    return outcome.message


def due_at_start(store: Store, now: int) -> frozenset[str]:
    """Jobs to run as soon as the daemon starts: a planned time went by while it was down, or the last run failed."""
    with store.read() as conn:
        states = last_runs(conn)
    missed = {name for name, state in states.items() if name in JOBS and _is_owed(state, now)}
    return ALWAYS_AT_START | missed


def _is_owed(state: JobState, now: int) -> bool:
    went_by = state.next_run is not None and state.next_run <= now and (state.last_success or 0) < state.next_run
    unfinished = state.last_start is not None and (state.last_success or 0) < state.last_start
    return went_by or unfinished


def note_alive(store: Store, now: int, pid: int, next_runs: Mapping[str, int | None]) -> None:
    """Tell the store that the daemon is alive, and when it means to run what."""
    with store.write() as conn:
        beat(conn, now, pid)
        for name, at in next_runs.items():
            set_next_run(conn, name, at)
