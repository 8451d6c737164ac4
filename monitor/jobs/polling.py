"""Polls the devices of a fleet that are due: beside each other, each poll stored as it comes, troubles told."""

from __future__ import annotations

import time
from collections import defaultdict, deque
from functools import partial

from ingest.bus import name_of
from ingest.errors import InputError
from ingest.poll import Chains, place_of, poll_device
from ingest.sources import BusSource
from monitor.clock import Clock
from monitor.config import Fleet, Site
from monitor.jobs.polled import Keeper, Key, Polled, PollReport, judged
from monitor.jobs.work import ShouldStop, Tell, never, silent
from monitor.jobs.workers import Place, Task, Workers
from monitor.store import Store
from monitor.store.polls import PollState, list_polls

MOST_AT_ONCE = 32
POLL_S = 30.0  # after so long no further request of a poll is made
_LONGEST_REST_MIN = 30
_KEPT_BACK = 10_000  # polls that wait in memory for a store that cannot be reached
_LOOK_S = 0.2

Device = tuple[Site, BusSource]


def poll_fleet(
    fleet: Fleet, store: Store, clock: Clock, *, progress: Tell = silent, should_stop: ShouldStop = never
) -> PollReport:
    """Poll every device once, whether it is due or not."""
    return Poller(store, clock).poll(fleet, due_only=False, progress=progress, should_stop=should_stop)


def bus_sources(fleet: Fleet) -> list[Device]:
    """Every source that is polled, with its site."""
    return [(site, source) for site in fleet.sites for source in site.source if isinstance(source, BusSource)]


def is_due(source: BusSource, state: PollState | None, now: int) -> bool:
    """Whether a device is to be polled in this minute.

    One that answers is polled at the multiples of its interval in UTC; after failures in a row it rests for
    1, 2, 4, ... and at most 30 minutes.
    """
    if state is None or state.last_try_at > now:  # a clock that was set back must not hold a device up
        return True
    if state.failures:
        rest = min(1 << min(state.failures - 1, 16), _LONGEST_REST_MIN)
        return now // 60 - state.last_try_at // 60 >= rest
    interval_s = source.interval_minutes * 60
    return now // interval_s > state.last_try_at // interval_s


def summary(report: PollReport) -> str:
    """One line about a round."""
    parts = [f"{report.polled} devices polled", f"{report.answered} answered", f"{report.readings_new} readings new"]
    if report.set_aside:
        parts.append(f"{report.set_aside} values set aside")
    return ", ".join(parts)


class Poller:
    """Polls a fleet round by round.

    Between rounds it keeps what need not be found anew (model chains), who hangs, and the polls that the store could
    not take when they came.
    """

    def __init__(self, store: Store, clock: Clock, *, poll_s: float = POLL_S, most_at_once: int = MOST_AT_ONCE) -> None:
        self._store, self._clock, self._poll_s = store, clock, poll_s
        self._workers: Workers[Polled] = Workers(most_at_once)
        self._chains: Chains = {}
        self._states: dict[Key, PollState] | None = None
        self._kept_back: deque[tuple[Polled, PollState]] = deque(maxlen=_KEPT_BACK)

    def poll(
        self, fleet: Fleet, *, due_only: bool, round_s: float | None = None, progress: Tell = silent,
        should_stop: ShouldStop = never,
    ) -> PollReport:  # fmt: skip
        """Poll what is due, or everything; return when all came back or hang, or `round_s` is over.

        What comes back later is stored in the next round. Raises StoreUnavailable at the end if the store could not
        take a poll; that one is stored in a later round.
        """
        report, devices = PollReport(), bus_sources(fleet)
        if not devices and not self._workers.places and not self._kept_back:
            return report
        until = time.monotonic() + round_s if round_s is not None else None
        states = self._known_states()
        keeper = Keeper(self._store, states, self._kept_back, report)
        keeper.catch_up()
        waiting = self._waiting(devices, states, due_only)
        while True:
            while waiting and self._workers.has_room() and not should_stop():
                place, members = waiting.popleft()
                self._workers.start(place, [self._task(*device) for device in members])
            self._collect(keeper, progress)
            if not (waiting or self._workers.at_work):
                break
            if should_stop() or (until is not None and time.monotonic() > until):
                report.complete = not should_stop()
                break
        keeper.end()
        return report

    def _known_states(self) -> dict[Key, PollState]:
        """How each device stands: as the store had it at first, from then on as it went here."""
        if self._states is None:
            with self._store.read() as conn:
                self._states = {(state.site, state.source): state for state in list_polls(conn)}
        return self._states

    def _waiting(
        self, devices: list[Device], states: dict[Key, PollState], due_only: bool
    ) -> deque[tuple[Place, list[Device]]]:
        """The devices to be polled by the place where they are reached; those first whose last poll is longest ago."""
        now = self._clock()
        oldest_first = sorted(devices, key=lambda device: _last_try(states.get((device[0].id, device[1].id))))
        wanted: dict[Place, list[Device]] = defaultdict(list)
        for site, source in oldest_first:
            if not due_only or is_due(source, states.get((site.id, source.id)), now):
                wanted[place_of(source)].append((site, source))
        return deque((place, members) for place, members in wanted.items() if place not in self._workers.places)

    def _task(self, site: Site, source: BusSource) -> Task[Polled]:
        # The last request may begin just before the end, and waits for a connection and for an answer.
        patience_s = self._poll_s + 4 * source.timeout_s
        name = name_of(source.host, source.port)
        hangs = f"{name}: did not come back within {patience_s:g} s; it is left alone until it does"
        return Task(
            work=partial(_poll_one, site, source, self._clock, self._chains, self._poll_s),
            patience_s=patience_s,
            late=lambda: Polled(site, source, self._clock(), None, hangs),
        )

    def _collect(self, keeper: Keeper, progress: Tell) -> None:
        """Store what came back, and note who hangs."""
        look_s = _LOOK_S if self._workers.at_work else 0.0
        for polled in [*self._workers.wait(look_s), *self._workers.newly_late()]:
            keeper.keep(polled, self._clock())
            progress(f"{polled.name} polled")


def _poll_one(site: Site, source: BusSource, clock: Clock, chains: Chains, poll_s: float) -> Polled:
    """Poll a device, in its thread; whatever goes wrong comes back as a sentence."""
    began_at = clock()
    try:
        result = poll_device(source, clock=clock, chains=chains, within_s=poll_s)
        return judged(Polled(site, source, began_at, result), clock())
    except InputError as error:
        return Polled(site, source, began_at, None, str(error))
    except Exception as error:  # a mistake of ours must not leave the device out without a word
        trouble = f"{name_of(source.host, source.port)}: could not be polled: {type(error).__name__}: {error}"
        return Polled(site, source, began_at, None, trouble)


def _last_try(state: PollState | None) -> int:
    return state.last_try_at if state is not None else 0
