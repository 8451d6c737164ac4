"""Passes over the weather services: who is asked, how seldom, what is stored, and what is said of failures."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from ingest.readings import Table
from ingest.sources import WeatherServiceSource
from monitor.clock import day_number
from monitor.config import Fleet, load_fleet
from monitor.jobs.assessing import assess_fleet, last_recorded_day
from monitor.jobs.fetching import Fetcher, fetch_weather, is_due, summary
from monitor.jobs.ingesting import ingest_fleet
from monitor.jobs.standing import look
from monitor.store import Store
from monitor.store.daily import read_daily
from monitor.store.findings import list_findings
from monitor.store.polls import PollState, list_polls
from monitor.store.readings import load_tables, recorded_span
from tests.bus_devices import closed_port
from tests.weather_server import Asked, Reply, WeatherServer, cams, cams_inputs, irradiance, power, power_document

NOW = int(datetime(2026, 6, 20, 12, tzinfo=UTC).timestamp())
HOUR = 3600
Fleets = Callable[..., Fleet]


class Clock:
    """Stands until it is moved."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> int:
        return self.now


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "*")


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def server() -> Iterator[WeatherServer]:
    with WeatherServer(power) as server:
        yield server


@pytest.fixture
def store(fleet_folder: Path) -> Iterator[Store]:
    store = Store.open("sqlite:///aftercare.db", fleet_folder)
    yield store
    store.close()


@pytest.fixture
def fleet_of(fleet_folder: Path, server: WeatherServer) -> Fleets:
    """A fleet of homes at these places (latitude, longitude), each with weather from the server."""

    def make(*places: tuple[float, float], **settings: object) -> Fleet:
        template = (fleet_folder / "sites/larkrise.toml").read_text()
        for path in (fleet_folder / "sites").glob("*.toml"):
            path.unlink()
        given = {"service": "nasa_power", "url": server.url, "history_days": 3, **settings}
        lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in given.items())
        for i, (latitude, longitude) in enumerate(places):
            name = f"home{i}"
            text = template.replace('"larkrise"', f'"{name}"').replace("52.1", str(latitude))
            text = text.replace("longitude = -2.3", f"longitude = {longitude}")
            text += f'\n[[source]]\nid = "sky"\nkind = "weather_service"\n{lines}'
            (fleet_folder / f"sites/{name}.toml").write_text(text)
        (fleet_folder / "sites/larkrise.toml").write_text(template)  # which has no service
        fleet = load_fleet(fleet_folder)
        assert fleet.faults == ()
        return fleet

    return make


@pytest.fixture
def fetcher(store: Store, clock: Clock) -> Fetcher:
    return Fetcher(store, clock, environ={"KEY": "a@example.org"}, pause_s=0.0)


def stored(store: Store, site: str) -> Table:
    day = NOW // 86_400
    with store.read() as conn:
        tables = load_tables(conn, site=site, first_day=day - 400, last_day=day + 10, sources=["sky"])
    return tables.get("sky", Table(np.array([], np.int64), {}))


def column(table: Table, quantity: str) -> dict[int, float]:
    (values,) = [v for channel, v in table.columns.items() if channel.quantity == quantity]
    return {int(at): float(v) for at, v in zip(table.starts, values, strict=True) if not np.isnan(v)}


def states(store: Store) -> Mapping[str, PollState]:
    with store.read() as conn:
        return {state.site: state for state in list_polls(conn)}


def spans(server: WeatherServer) -> list[tuple[str, str]]:
    return [(asked.query["start"], asked.query["end"]) for asked in server.asked]


def test_the_weather_of_a_home_is_stored_with_its_standing(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, server: WeatherServer
) -> None:
    report = fetcher.fetch(fleet_of((52.1234, -2.3456), history_days=60))
    assert summary(report) == "weather of 1 sites asked for in 1 requests, 1 sites answered, 7200 readings new"
    assert report.all_taken
    assert report.complete
    assert spans(server) == [("20260421", "20260619")]  # sixty days
    assert (server.asked[0].query["latitude"], server.asked[0].query["longitude"]) == ("52.1", "-2.3")
    ghi = column(stored(store, "home0"), "irradiance_ghi")
    assert len(ghi) == 60 * 24
    noon = datetime(2026, 6, 10, 12, tzinfo=UTC)
    assert ghi[int(noon.timestamp())] == irradiance(noon, -2.3)
    assert states(store)["home0"] == PollState(
        site="home0", source="sky", last_try_at=NOW, last_ok_at=NOW, failures=0, trouble=""
    )


def test_nothing_is_asked_where_nobody_has_a_service(
    fleet_folder: Path, fetcher: Fetcher, server: WeatherServer
) -> None:
    report = fetcher.fetch(load_fleet(fleet_folder))
    assert (report.requests, report.sites, server.asked) == (0, 0, [])


def test_a_site_is_asked_for_seldom_and_only_for_what_is_missing_or_provisional(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, clock: Clock, server: WeatherServer
) -> None:
    fleet = fleet_of((52.1, -2.3), history_days=60)
    published = datetime(2026, 6, 14, tzinfo=UTC)  # as the service is a week behind
    server.respond = lambda asked: Reply(json.dumps(power_document(asked, published_until=published)).encode())
    fetcher.fetch(fleet)
    for hours in (1, 10.99):
        clock.now = NOW + int(hours * HOUR)
        assert fetcher.fetch(fleet).requests == 0
    clock.now = NOW + 12 * HOUR
    server.respond = power
    report = fetcher.fetch(fleet)
    assert spans(server)[1] == ("20260604", "20260620")
    assert (report.readings_new, report.readings_same) == (7 * 24 * 5, 10 * 24 * 5)
    assert max(column(stored(store, "home0"), "irradiance_ghi")) == int(published.timestamp()) + 7 * 86_400 - HOUR


def test_a_corrected_value_replaces_the_provisional_one_and_a_gap_does_not(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, clock: Clock, server: WeatherServer
) -> None:
    fleet = fleet_of((52.1, -2.3), history_days=20)
    fetcher.fetch(fleet)
    changed, gone = "2026061512", "2026061513"

    def correct(asked: Asked) -> Reply:
        document = power_document(asked)
        document["properties"]["parameter"]["ALLSKY_SFC_SW_DWN"] |= {changed: 77.0, gone: -999.0}  # type: ignore[index]
        return Reply(json.dumps(document).encode())

    server.respond = correct
    clock.now += 24 * HOUR
    report = fetcher.fetch(fleet)
    assert summary(report).endswith("120 readings new, 1 replaced")
    ghi = column(stored(store, "home0"), "irradiance_ghi")
    at = int(datetime(2026, 6, 15, 12, tzinfo=UTC).timestamp())
    assert ghi[at] == 77.0
    assert ghi[at + HOUR] == irradiance(datetime(2026, 6, 15, 13), -2.3)


def test_homes_of_one_cell_share_a_request_and_others_do_not(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, server: WeatherServer
) -> None:
    report = fetcher.fetch(fleet_of((52.31, -2.41), (52.62, -2.33), (-33.9, 151.2), (52.31, 2.41)))
    assert (report.requests, report.sites, report.answered) == (3, 4, 4)
    assert server.at_once == 1
    assert [asked.query["latitude"] for asked in server.asked] == ["52.3", "-33.9", "52.3"]
    first, second = (column(stored(store, home), "irradiance_ghi") for home in ("home0", "home1"))
    assert first == second
    sydney = column(stored(store, "home2"), "irradiance_ghi")
    noon = int(datetime(2026, 6, 18, 1, tzinfo=UTC).timestamp())
    assert sydney[noon] > 600 > 10 > sydney[noon + 12 * HOUR]


def test_each_home_of_a_cell_gets_its_own_days(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, fleet_folder: Path, server: WeatherServer
) -> None:
    fleet_of((52.3, -2.4), (52.3, -2.4))
    young = fleet_folder / "sites/home1.toml"
    text = young.read_text()
    young.write_text(text.replace(text[text.index("commissioned") :].splitlines()[0], "commissioned = 2026-06-18"))
    report = fetcher.fetch(load_fleet(fleet_folder))
    assert report.requests == 1
    assert spans(server) == [("20260617", "20260619")]
    assert len(column(stored(store, "home0"), "irradiance_ghi")) == 3 * 24
    assert len(column(stored(store, "home1"), "irradiance_ghi")) == 2 * 24


def test_failures_make_it_rest_longer_and_longer_and_an_answer_ends_that(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, clock: Clock, server: WeatherServer
) -> None:
    fleet = fleet_of((52.1, -2.3))
    server.respond = lambda _: Reply(b"on fire", 500)
    tried = []
    for hour in range(60):
        clock.now = NOW + hour * HOUR
        if fetcher.fetch(fleet).requests:
            tried.append(hour)
    assert tried == [0, 1, 3, 7, 15, 31, 55]
    state = states(store)["home0"]
    assert (state.failures, state.last_ok_at) == (7, None)
    assert state.trouble == f"nasa_power at {server.url[7:]}: {server.url[7:]} answers HTTP 500: on fire"
    server.respond = power
    clock.now = NOW + 79 * HOUR
    assert fetcher.fetch(fleet).answered == 1
    assert (states(store)["home0"].failures, states(store)["home0"].trouble) == (0, "")


def test_a_failure_of_one_cell_holds_up_no_other(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, server: WeatherServer
) -> None:
    server.respond = lambda asked: Reply(b"{", 200) if asked.query["latitude"] == "10.5" else power(asked)
    report = fetcher.fetch(fleet_of((10.5, 0.5), (20.5, 0.5), (30.5, 0.5)))
    assert (report.requests, report.answered) == (3, 2)
    (sentence,) = report.failed
    assert sentence.startswith(f"home0/sky: nasa_power at {server.url[7:]}: the answer is no whole JSON document")
    assert not report.all_taken
    assert stored(store, "home0").starts.size == 0
    assert stored(store, "home2").starts.size > 0


@pytest.mark.parametrize(
    ("reply", "requests"), [(Reply(b"", 429), 1), (Reply(b"", 503), 1), (Reply(b"", 500), 3), (Reply(b"{}"), 3)]
)
def test_a_service_that_is_down_is_not_asked_by_everybody(
    fleet_of: Fleets, fetcher: Fetcher, clock: Clock, server: WeatherServer, reply: Reply, requests: int
) -> None:
    fleet = fleet_of(*((10.5 + i, 0.5) for i in range(5)))
    server.respond = lambda _: reply
    report = fetcher.fetch(fleet)
    assert (report.requests, report.waiting) == (requests, 5 - requests)
    assert summary(report).endswith(f"{5 - requests} sites wait for a later pass")
    clock.now += 59 * 60
    server.respond = power
    assert fetcher.fetch(fleet).answered == 5 - requests  # those who were not asked for; the others rest


def test_a_service_that_wants_to_be_left_alone_is(
    fleet_of: Fleets, fetcher: Fetcher, clock: Clock, server: WeatherServer
) -> None:
    fleet = fleet_of((10.5, 0.5), (20.5, 0.5))
    server.respond = lambda _: Reply(b"", 429, {"Retry-After": str(5 * HOUR)})
    fetcher.fetch(fleet)
    server.respond = power
    clock.now += 4 * HOUR
    report = fetcher.fetch(fleet)
    assert (report.requests, report.waiting, len(server.asked)) == (0, 2, 1)
    clock.now += HOUR
    assert fetcher.fetch(fleet).answered == 2


def test_a_pass_makes_so_many_requests_and_the_rest_come_next(
    fleet_of: Fleets, fetcher: Fetcher, clock: Clock, server: WeatherServer
) -> None:
    fleet = fleet_of(*((10.5 + i, 0.5) for i in range(6)), service="cams", key_env="KEY", history_days=2)
    server.respond = cams
    report = fetcher.fetch(fleet)
    assert (report.requests, report.answered, report.waiting) == (4, 4, 2)
    clock.now += HOUR
    report = fetcher.fetch(fleet)
    assert (report.requests, report.answered, report.waiting) == (2, 2, 0)
    assert {cams_inputs(asked)["latitude"] for asked in server.asked} == {f"{10.5 + i}" for i in range(6)}
    assert cams_inputs(server.asked[0])["date_end"] == "2026-06-18"  # two days ago


def test_a_key_that_is_not_there_is_told_and_nothing_is_asked(
    fleet_of: Fleets, store: Store, clock: Clock, server: WeatherServer
) -> None:
    report = Fetcher(store, clock, environ={}).fetch(fleet_of((52.1, -2.3), service="cams", key_env="KEY"))
    assert report.failed == (
        f"home0/sky: cams at {server.url[7:]}: the environment variable KEY is not set; expected the e-mail address of "
        "your account",
    )
    assert server.asked == []


def test_an_answer_without_any_sun_is_a_failure(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, server: WeatherServer
) -> None:
    never = datetime(1990, 1, 1, tzinfo=UTC)
    server.respond = lambda asked: Reply(json.dumps(power_document(asked, published_until=never)).encode())
    report = fetcher.fetch(fleet_of((52.1, -2.3)))
    assert report.failed == ("home0/sky: nasa_power: the answer has no irradiance for 2026-06-17 to 2026-06-19",)
    assert states(store)["home0"].failures == 1


def test_values_that_cannot_be_are_told(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, server: WeatherServer
) -> None:
    def respond(asked: Asked) -> Reply:
        document = power_document(asked)
        document["properties"]["parameter"]["T2M"] |= {"2026061812": 400.0}  # type: ignore[index]
        return Reply(json.dumps(document).encode())

    server.respond = respond
    report = fetcher.fetch(fleet_of((52.1, -2.3)))
    assert (report.set_aside, report.answered, report.all_taken) == (1, 1, False)
    assert states(store)["home0"].trouble == "1 values of the last answer cannot be true and were set aside"


def test_nobody_there_is_a_sentence_and_the_next_service_is_asked(
    fleet_of: Fleets, fetcher: Fetcher, fleet_folder: Path, server: WeatherServer
) -> None:
    fleet_of((52.1, -2.3), (10.5, 0.5))
    nobody = f"http://127.0.0.1:{closed_port()}"
    site = fleet_folder / "sites/home0.toml"
    site.write_text(site.read_text().replace(server.url, nobody))
    report = fetcher.fetch(load_fleet(fleet_folder))
    assert report.failed == (
        f"home0/sky: nasa_power at {nobody[7:]}: {nobody[7:]} cannot be reached: Connection refused",
    )
    assert report.answered == 1


def test_it_ends_at_once_when_told_to_and_takes_the_answer_later(
    fleet_of: Fleets, fetcher: Fetcher, store: Store, server: WeatherServer
) -> None:
    fleet, go_on, stop = fleet_of((52.1, -2.3)), threading.Event(), threading.Event()

    def respond(asked: Asked) -> Reply:
        stop.set()
        go_on.wait(10)
        return power(asked)

    server.respond = respond
    report = fetcher.fetch(fleet, should_stop=stop.is_set)
    assert (report.complete, report.requests, report.answered) == (False, 1, 0)
    assert stored(store, "home0").starts.size == 0
    go_on.set()
    report = fetcher.fetch(fleet)
    assert report.answered == 1
    assert len(server.asked) == 1


def test_a_clock_that_was_set_back_holds_nobody_up(fleet_of: Fleets) -> None:
    (source,) = [s for s in fleet_of((52.1, -2.3)).site("home0").source if isinstance(s, WeatherServiceSource)]
    state = PollState(site="home0", source="sky", last_try_at=NOW, last_ok_at=NOW)
    assert is_due(source, state, NOW - 1)
    assert not is_due(source, state, NOW + 12 * HOUR - 1)
    assert is_due(source, state, NOW + 12 * HOUR)
    assert not is_due(source, replace(state, failures=2), NOW + 2 * HOUR - 1)
    assert is_due(source, replace(state, failures=9), NOW + 24 * HOUR)


def test_a_home_is_silent_although_the_weather_goes_on(fleet_of: Fleets, fetcher: Fetcher, store: Store) -> None:
    fleet = fleet_of((52.1, -2.3))
    ingest_fleet(fleet, store, now=NOW)
    fetcher.fetch(fleet)
    with store.read() as conn:
        first, last = (day_number(date.fromisoformat(day)) for day in ("2025-06-01", "2025-06-06"))
        assert recorded_span(conn, "home0") == (first, NOW // 86_400 - 1)
        assert recorded_span(conn, "home0", besides=fleet.site("home0").services) == (first, last)
    silent = next(line for line in look(fleet, store, NOW).silent_sites if line.startswith("home0"))
    assert silent == "home0: last readings on 2025-06-06"
    assert last_recorded_day(fleet, store, frozenset({"home0"})) == date(2025, 6, 6)


def test_the_nights_of_a_home_begin_with_its_own_readings(fleet_of: Fleets, store: Store, clock: Clock) -> None:
    clock.now = int(datetime(2025, 6, 7, 12, tzinfo=UTC).timestamp())
    fleet = fleet_of((50.1, -2.3), history_days=30)  # out of reach of the other home
    assert fetch_weather(fleet, store, clock).answered == 1
    assert fetch_weather(fleet, store, clock).requests == 0
    ingest_fleet(fleet, store, now=clock.now)
    report = assess_fleet(fleet, store, now=clock.now)
    assert report.failed == ()
    with store.read() as conn:
        rows = read_daily(conn, site="home0")
        findings = list_findings(conn, site="home0")
    assert {row.day for row in rows} == {date(2025, 6, 1 + n) for n in range(6)}
    assert "source:sky" not in {row.subject for row in rows}
    assert {row.irradiation_source for row in rows if row.subject == "inverter:inv1"} == {"weather"}
    assert [f for f in findings if f.subject == "source:sky"] == []
