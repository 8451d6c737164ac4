"""What the jobs have in common: a way to stop between units, and a note of each run in the store."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from ingest.errors import StoreUnavailable
from monitor.clock import Clock
from monitor.store import Store
from monitor.store.jobs import finish_run, start_run

# The jobs of [schedule], in the order in which they run when several are due at one moment.
JOB_NAMES = ("ingest", "assess", "service_digest", "homeowner_digest")

ShouldStop = Callable[[], bool]
Tell = Callable[[str], None]


def never() -> bool:
    """Nobody wants the work to stop."""
    return False


def silent(_text: str) -> None:
    """Nobody wants to know how far the work is."""


@dataclass(slots=True)
class Outcome:
    """How a run ended, filled in while it runs: well, unless something failed or was left undone."""

    message: str = ""
    ok: bool = True


@contextmanager
def noted_run(store: Store, job: str, clock: Clock) -> Iterator[Outcome]:
    """Note start and end of a run; what is raised inside is noted as its failure and goes on."""
    with store.write() as conn:
        run_id = start_run(conn, job, clock())
    outcome = Outcome()
    try:
        yield outcome
    except BaseException as error:
        with suppress(StoreUnavailable), store.write() as conn:
            finish_run(conn, run_id, clock(), False, str(error) or type(error).__name__)
        raise
    with store.write() as conn:
        finish_run(conn, run_id, clock(), outcome.ok, outcome.message)
