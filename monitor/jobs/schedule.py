"""The four scheduled jobs by name, each run noted in the store; and what is due when the daemon starts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from monitor.jobs.digests import write_homeowner_digests, write_service_digest
from monitor.jobs.ingesting import ingest_fleet

from ingest.errors import AftercareError
from monitor.clock import Clock
from monitor.config import Fleet
from monitor.jobs.assessing import assess_fleet
from monitor.jobs.work import Done, ShouldStop
from monitor.store import Store
from monitor.store import jobs as runs

Job = Callable[[Fleet, Store, int, ShouldStop], Done]


@dataclass(frozen=True, slots=True)
class JobFailed(AftercareError):
    """A run that did not do all of its work."""


# In the order in which they run when several are due at one moment.
JOBS: Mapping[str, Job] = {}
