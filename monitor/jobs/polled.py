"""What a poll brought, on its way into the store; a store that cannot be reached finds it again later."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from ingest.bus import name_of
from ingest.errors import StoreUnavailable
from ingest.readings import ReadResult, Values
from ingest.sources import BusSource
from monitor.config import Site
from monitor.jobs.ingest_report import REASONS_TOLD, sentence
from monitor.jobs.plausible import keep_believable
from monitor.jobs.reading import believable
from monitor.store import Store
from monitor.store.polls import PollState, note_poll
from monitor.store.readings import merge_tables

Key = tuple[str, str]  # site, source


@dataclass(slots=True)
class PollReport:
    """What a round of polls did, counted while it runs."""

    polled: int = 0
    answered: int = 0
    readings_new: int = 0
    readings_same: int = 0
    readings_replaced: int = 0
    set_aside: int = 0  # values of devices that gave others
    reasons: tuple[str, ...] = ()  # why, the first of them as sentences
    failed: tuple[str, ...] = ()  # sentences about devices that gave no reading
    complete: bool = True  # False: told to stop before the end

    @property
    def all_taken(self) -> bool:
        """Whether every device answered and nothing was set aside."""
        return not (self.failed or self.set_aside)


@dataclass(frozen=True, slots=True)
class Polled:
    """One poll as it came from its thread: what was read, or in a sentence why nothing was."""

    site: Site
    source: BusSource
    began_at: int
    result: ReadResult | None
    trouble: str = ""

    @property
    def key(self) -> Key:
        """Site and source."""
        return self.site.id, self.source.id

    @property
    def name(self) -> str:
        """Site and source for a person."""
        return f"{self.site.id}/{self.source.id}"

    @property
    def device(self) -> str:
        """Host and port for a person."""
        return name_of(self.source.host, self.source.port)


def judged(polled: Polled, now: int) -> Polled:
    """The poll with what cannot be true of the site set aside; a poll that gives no reading then has failed."""
    if polled.result is None:
        return polled
    result = keep_believable(polled.result, polled.device, believable(polled.site, now))
    troubles = [sentence(reject) for reject in result.rejects]
    if not troubles:
        return replace(polled, result=result)
    if not any(_has_values(values) for table in result.tables for values in table.columns.values()):
        more = f"; and {len(troubles) - 1} more" if troubles[1:] else ""
        return replace(polled, result=None, trouble=troubles[0] + more)
    told = f"{len(troubles)} values set aside, first: {troubles[0]}" if troubles[1:] else troubles[0]
    return replace(polled, result=result, trouble=told)


def _has_values(values: Values) -> bool:
    return not bool(np.isnan(values).all())


class Keeper:
    """Stores polls one by one; `states` and `kept_back` outlive it."""

    def __init__(
        self, store: Store, states: dict[Key, PollState], kept_back: deque[tuple[Polled, PollState]], report: PollReport
    ) -> None:
        self._store, self._states, self._kept_back, self._report = store, states, kept_back, report
        self._unavailable: StoreUnavailable | None = None
        self._lost = 0

    def catch_up(self) -> None:
        """Store what an earlier round could not."""
        while self._kept_back and self._unavailable is None:
            if self._write(*self._kept_back[0]):
                self._kept_back.popleft()

    def keep(self, polled: Polled, now: int) -> None:
        """Store one poll with its standing, in a transaction of its own."""
        state = self._states[polled.key] = _state_after(polled, self._states.get(polled.key), now)
        self._report.polled += 1
        if polled.result is None:
            self._report.failed += (f"{polled.name}: {polled.trouble}",)
        else:
            self._report.answered += 1
            self._tell_of(polled, polled.result)
        if self._unavailable is not None or not self._write(polled, state):
            self._lost += len(self._kept_back) == self._kept_back.maxlen
            self._kept_back.append((polled, state))

    def end(self) -> None:
        """Raise StoreUnavailable if there are polls that the store did not take."""
        if self._unavailable is not None:
            lost = f", and {self._lost} were lost" if self._lost else ""
            waiting = f"{len(self._kept_back)} polls wait for it in memory{lost}"
            raise StoreUnavailable(f"{self._unavailable}; {waiting}") from self._unavailable

    def _write(self, polled: Polled, state: PollState) -> bool:
        """Whether the poll need not be tried again."""
        site, source = polled.key
        try:
            with self._store.write() as conn:
                if polled.result is not None:
                    count = merge_tables(
                        conn, site=site, source=source, tables=polled.result.tables, now=state.last_try_at
                    )
                note_poll(conn, state)
        except StoreUnavailable as error:
            self._unavailable = error
            return False
        except Exception as error:  # one poll that cannot be kept must not stop the others
            self._report.failed += (f"{polled.name}: could not be kept: {type(error).__name__}: {error}",)
            return True
        if polled.result is not None:
            self._report.readings_new += count.new
            self._report.readings_same += count.same
            self._report.readings_replaced += count.conflicts
        return True

    def _tell_of(self, polled: Polled, result: ReadResult) -> None:
        self._report.set_aside += len(result.rejects)
        room = REASONS_TOLD - len(self._report.reasons)
        self._report.reasons += tuple(f"{polled.name}: {sentence(reject)}" for reject in result.rejects[:room])


def _state_after(polled: Polled, before: PollState | None, now: int) -> PollState:
    site, source = polled.key
    failed = polled.result is None
    return PollState(
        site=site,
        source=source,
        last_try_at=polled.began_at,
        last_ok_at=now if not failed else before.last_ok_at if before else None,
        failures=(before.failures if before else 0) + 1 if failed else 0,
        trouble=polled.trouble,
    )
