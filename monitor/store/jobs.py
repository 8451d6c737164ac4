"""Runs of the daemon's jobs, when each runs next, and whether the daemon is alive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Column, Connection, Select, delete, func, select, update

from monitor.store import schema
from monitor.store.rows import upsert

KEEP_RUNS_S = 90 * 86400


@dataclass(frozen=True, slots=True, kw_only=True)
class JobState:
    """How a job stands; instants, None where it never came to that."""

    job: str
    last_start: int | None = None
    last_success: int | None = None
    last_failure: int | None = None
    failure_message: str = ""
    next_run: int | None = None


@dataclass(frozen=True, slots=True)
class Beat:
    """The daemon's last sign of life."""

    at: int
    pid: int


def start_run(conn: Connection, job: str, now: int) -> int:
    """Note that a job starts, and forget its runs of long ago (a job's last success and failure stay)."""
    c = schema.job_run.c
    kept = select(func.max(c.id)).where(c.job == job, c.ok.is_not(None)).group_by(c.ok)
    conn.execute(
        delete(schema.job_run).where(
            c.job == job, c.started_at < now - KEEP_RUNS_S, c.id.not_in(kept.scalar_subquery())
        )
    )
    row = {"job": job, "started_at": now, "message": ""}
    return int(conn.execute(schema.job_run.insert().returning(c.id), row).scalar_one())


def finish_run(conn: Connection, run_id: int, now: int, ok: bool, message: str) -> None:
    """Note how a run ended."""
    c = schema.job_run.c
    conn.execute(update(schema.job_run).where(c.id == run_id).values(finished_at=now, ok=ok, message=message))


def last_runs(conn: Connection) -> dict[str, JobState]:
    """How every job stands that ever started or is planned, by name."""
    starts = _latest(conn, schema.job_run.c.started_at)
    successes = _latest(conn, schema.job_run.c.finished_at, ok=True)
    failures = _latest(conn, schema.job_run.c.finished_at, ok=False)
    messages = _failure_messages(conn)
    plans = _pairs(conn, select(schema.job_plan.c.job, schema.job_plan.c.next_at))
    return {
        job: JobState(
            job=job,
            last_start=starts.get(job),
            last_success=successes.get(job),
            last_failure=failures.get(job),
            failure_message=messages.get(job, ""),
            next_run=plans.get(job),
        )
        for job in sorted(starts.keys() | plans.keys())
    }


def last_done(conn: Connection, job: str, *, before: int) -> int | None:
    """When the last run of a job that ended well began, of those that began before an instant."""
    c = schema.job_run.c
    query = select(func.max(c.started_at)).where(c.job == job, c.ok.is_(True), c.started_at < before)
    at: int | None = conn.execute(query).scalar()
    return at


def set_next_run(conn: Connection, job: str, at: int | None) -> None:
    """Say when a job runs next; None: it is not planned."""
    if at is None:
        conn.execute(delete(schema.job_plan).where(schema.job_plan.c.job == job))
    else:
        upsert(conn, schema.job_plan, [{"job": job, "next_at": at}])


def beat(conn: Connection, now: int, pid: int) -> None:
    """Note that the daemon is alive."""
    upsert(conn, schema.heartbeat, [{"id": 1, "at": now, "pid": pid}])


def last_beat(conn: Connection) -> Beat | None:
    """The daemon's last sign of life."""
    row = conn.execute(select(schema.heartbeat.c.at, schema.heartbeat.c.pid)).one_or_none()
    return None if row is None else Beat(*row)


def _pairs(conn: Connection, query: Select[Any]) -> dict[str, Any]:
    return dict(iter(conn.execute(query)))


def _latest(conn: Connection, instant: Column[int], *, ok: bool | None = None) -> dict[str, int]:
    job = schema.job_run.c.job
    query = select(job, func.max(instant)).group_by(job)
    if ok is not None:
        query = query.where(schema.job_run.c.ok.is_(ok))
    return _pairs(conn, query)


def _failure_messages(conn: Connection) -> dict[str, str]:
    c = schema.job_run.c
    last = select(func.max(c.id)).where(c.ok.is_(False)).group_by(c.job)
    return _pairs(conn, select(c.job, c.message).where(c.id.in_(last)))
