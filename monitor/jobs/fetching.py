"""Fetches the weather of sites that have a service for it: seldom, one request at a time, and never twice the same."""

from __future__ import annotations

import os
import time
from collections import Counter, defaultdict, deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial, reduce
from operator import or_

from ingest.errors import InputError
from ingest.sources import WEATHER_KEYS, WeatherServiceSource
from ingest.weather.asking import Days, Spot, days_to_ask, spot_of
from ingest.weather.carrier import ServiceBusy
from ingest.weather.services import SERVICES, address_of, ask_service, cell_of_source, name_of, wish_of
from monitor.clock import Clock, day_number
from monitor.config import Fleet, Site
from monitor.jobs.fetched import Fetched, FetchReport, Member, keep, sun_days
from monitor.jobs.work import ShouldStop, Tell, never, silent
from monitor.jobs.workers import Place, Task, Workers
from monitor.store import Store
from monitor.store.polls import PollState, list_polls
from monitor.store.readings import load_tables

PAUSE_S = 1.0  # between two requests
_HOUR_S = 3600
_LONGEST_REST_H = 24
_FAILURES_IN_A_ROW = 3  # after which a service is left alone for this pass
_LOOK_S = 0.2
_DAYS_BACK = 800  # how far back is looked for what is stored

Host = tuple[str, str]  # service, address


@dataclass(frozen=True, slots=True)
class _Order:
    """One request: everybody who waits for the weather of one cell."""

    host: Host
    spot: Spot
    days: Days
    members: tuple[Member, ...]


def fetch_weather(
    fleet: Fleet, store: Store, clock: Clock, *, progress: Tell = silent, should_stop: ShouldStop = never
) -> FetchReport:
    """Fetch the weather that is due."""
    return Fetcher(store, clock).fetch(fleet, progress=progress, should_stop=should_stop)


def weather_services(fleet: Fleet) -> list[tuple[Site, WeatherServiceSource]]:
    """Every source that is a weather service, with its site."""
    return [
        (site, source) for site in fleet.sites for source in site.source if isinstance(source, WeatherServiceSource)
    ]


def is_due(source: WeatherServiceSource, state: PollState | None, now: int) -> bool:
    """Whether a source may be fetched: some hours after it was; after failures in a row 1, 2, 4, ... and at most 24."""
    if state is None or state.last_try_at > now:  # a clock that was set back must not hold a site up
        return True
    rest_h = source.min_hours_between
    if state.failures:
        rest_h = min(1 << min(state.failures - 1, 16), _LONGEST_REST_H)
    return now - state.last_try_at >= rest_h * _HOUR_S


def summary(report: FetchReport) -> str:
    """One line about a pass."""
    parts = [
        f"weather of {report.sites} sites asked for in {report.requests} requests",
        f"{report.answered} sites answered",
        f"{report.readings_new} readings new",
    ]
    if report.readings_replaced:
        parts.append(f"{report.readings_replaced} replaced")
    if report.set_aside:
        parts.append(f"{report.set_aside} values set aside")
    if report.waiting:
        parts.append(f"{report.waiting} sites wait for a later pass")
    return ", ".join(parts)


class Fetcher:
    """Fetches pass by pass; between passes it keeps who hangs, and which service wants to be left alone."""

    def __init__(
        self, store: Store, clock: Clock, *, environ: Mapping[str, str] = os.environ, pause_s: float = PAUSE_S
    ) -> None:
        self._store, self._clock, self._environ, self._pause_s = store, clock, environ, pause_s
        self._workers: Workers[Fetched] = Workers(1)
        self._rest_until: dict[Host, int] = {}

    def fetch(self, fleet: Fleet, *, progress: Tell = silent, should_stop: ShouldStop = never) -> FetchReport:
        """Fetch what is due; returns when every answer came or hangs.

        Raises StoreUnavailable before anything is asked, or when an answer cannot be stored.
        """
        report, sources = FetchReport(), weather_services(fleet)
        if not sources and not self._workers.places:
            return report
        self._take(self._workers.wait(0.0), report, progress)  # what came after the end of an earlier pass
        orders = deque(order for order in self._orders(sources) if order.host not in self._workers.places)
        counts = _Counts(self._rest_until, self._clock())
        while not should_stop():
            if self._workers.has_room() and (order := _next(orders, counts, self._workers.places)) is not None:
                if report.requests and not _paused(self._pause_s, should_stop):
                    orders.appendleft(order)
                    break
                report.requests += 1
                self._workers.start(order.host, [self._task(order)])
            look_s = _LOOK_S if self._workers.at_work else 0.0
            arrived = [*self._workers.wait(look_s), *self._workers.newly_late()]
            for fetched in arrived:
                counts.note(fetched, self._clock())
            self._take(arrived, report, progress)
            if not self._workers.at_work and not counts.any_left(orders, self._workers.places):
                break
        report.waiting = sum(len(order.members) for order in orders)
        report.complete = not should_stop()
        return report

    def _take(self, arrived: Sequence[Fetched], report: FetchReport, progress: Tell) -> None:
        for fetched in arrived:
            keep(fetched, self._store, report, self._clock())
            progress(f"{fetched.members[0].name}: weather fetched")

    def _orders(self, sources: list[tuple[Site, WeatherServiceSource]]) -> list[_Order]:
        """The requests for what is due, those first whose sites were asked for longest ago."""
        now = self._clock()
        with self._store.read() as conn:
            states = {(state.site, state.source): state for state in list_polls(conn)}
        due = [(site, source) for site, source in sources if is_due(source, states.get((site.id, source.id)), now)]
        due.sort(key=lambda one: _last_try(states.get((one[0].id, one[1].id))))
        cells: dict[tuple[object, ...], list[Member]] = defaultdict(list)
        for site, source in due:
            days = self._missing(site, source, now)
            if days is not None:
                cells[_sharing(site, source)].append(Member(site, source, days, states.get((site.id, source.id))))
        return [_order(members) for members in cells.values()]

    def _missing(self, site: Site, source: WeatherServiceSource, now: int) -> Days | None:
        """The days that a source lacks, or that its service may still correct."""
        last = now // 86_400 - SERVICES[source.service].delay_days
        with self._store.read() as conn:
            tables = load_tables(
                conn, site=site.id, first_day=last - _DAYS_BACK, last_day=last, sources=[source.id]
            ).values()
        return days_to_ask(sun_days(list(tables)), wish_of(source, day_number(site.site.commissioned)), last)

    def _task(self, order: _Order) -> Task[Fetched]:
        """The request as work for a thread."""
        source = order.members[0].source
        patience_s = SERVICES[source.service].patience_s + 4 * source.timeout_s
        hangs = f"{name_of(source)}: did not come back within {patience_s:g} s; it is left alone until it does"
        return Task(
            work=partial(_ask, order, self._clock, self._environ),
            patience_s=patience_s,
            late=lambda: Fetched(order.members, self._clock(), None, hangs, busy=True),
        )


class _Counts:
    """What one pass may still ask of each service."""

    def __init__(self, rest_until: dict[Host, int], now: int) -> None:
        self._rest_until, self._now = rest_until, now
        self._asked: Counter[str] = Counter()
        self._failed: Counter[Host] = Counter()  # requests in a row

    def may_ask(self, host: Host, busy: Collection[Place]) -> bool:
        """Whether a service may get another request now."""
        return (
            host not in busy
            and self._asked[host[0]] < SERVICES[host[0]].most_an_hour
            and self._failed[host] < _FAILURES_IN_A_ROW
            and self._rest_until.get(host, 0) <= self._now
        )

    def any_left(self, orders: Collection[_Order], busy: Collection[Place]) -> bool:
        """Whether there is an order that may be asked."""
        return any(self.may_ask(order.host, busy) for order in orders)

    def count(self, host: Host) -> None:
        """Count a request."""
        self._asked[host[0]] += 1

    def note(self, fetched: Fetched, now: int) -> None:
        """After a service that has nothing for anybody, or fails again and again, nobody else asks it in this pass."""
        host = _host(fetched.members[0].source)
        self._failed[host] = 0 if fetched.weather is not None else self._failed[host] + 1
        if fetched.busy:
            self._failed[host] = _FAILURES_IN_A_ROW
            self._rest_until[host] = now + min(fetched.rest_s or 0, _LONGEST_REST_H * _HOUR_S)


def _next(orders: deque[_Order], counts: _Counts, busy: Collection[Place]) -> _Order | None:
    """Take the first order whose service may be asked."""
    for order in orders:
        if counts.may_ask(order.host, busy):
            orders.remove(order)
            counts.count(order.host)
            return order
    return None


def _order(members: list[Member]) -> _Order:
    place = members[0].site.site
    days = reduce(or_, (member.days for member in members))
    return _Order(_host(members[0].source), spot_of(place.latitude, place.longitude), days, tuple(members))


def _host(source: WeatherServiceSource) -> Host:
    return source.service, address_of(source)


def _sharing(site: Site, source: WeatherServiceSource) -> tuple[object, ...]:
    """Sources with the same of this are fetched with one request."""
    spot = spot_of(site.site.latitude, site.site.longitude)
    return (*_host(source), source.key_env, source.interval_minutes, *cell_of_source(source, spot))


def _ask(order: _Order, clock: Clock, environ: Mapping[str, str]) -> Fetched:
    """Ask, in a thread; whatever goes wrong comes back as a sentence."""
    began_at, source = clock(), order.members[0].source
    try:
        weather = ask_service(source, order.spot, order.days, _key(source, environ))
        return Fetched(order.members, began_at, weather)
    except ServiceBusy as error:
        return Fetched(order.members, began_at, None, str(error), busy=True, rest_s=error.rest_s)
    except InputError as error:
        return Fetched(order.members, began_at, None, str(error))
    except Exception as error:  # a mistake of ours must not leave the sites out without a word
        return Fetched(order.members, began_at, None, f"{name_of(source)}: could not be asked: {type(error).__name__}")


def _key(source: WeatherServiceSource, environ: Mapping[str, str]) -> str:
    if source.key_env is None:
        return ""
    key = environ.get(source.key_env, "").strip()
    if not key:
        what = WEATHER_KEYS[source.service]
        raise InputError(name_of(source), f"the environment variable {source.key_env} is not set; expected {what}")
    return key


def _paused(pause_s: float, should_stop: ShouldStop) -> bool:
    """Wait between two requests; False when told to stop meanwhile."""
    until = time.monotonic() + pause_s
    while not should_stop() and time.monotonic() < until:
        time.sleep(min(_LOOK_S, pause_s))
    return not should_stop()


def _last_try(state: PollState | None) -> int:
    return state.last_try_at if state is not None else 0
