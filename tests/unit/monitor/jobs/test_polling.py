"""Rounds of polls: who is due, who holds nobody up, what is stored and what is said of the rest."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.errors import StoreUnavailable
from ingest.readings import Table
from ingest.sources import BusSource
from monitor.config import Fleet, load_fleet
from monitor.jobs import polling
from monitor.jobs.polling import Poller, bus_sources, is_due, poll_fleet, summary
from monitor.store import Store
from monitor.store.polls import PollState, list_polls
from monitor.store.readings import load_tables
from tests.bus_devices import LOOPBACK, Device, Raw, closed_port, sunspec_words

NOON = 1_750_075_200  # 2025-06-16 12:00 UTC
MAP = (
    'map = [{ unit_id = 1, address = 10, type = "uint32", scale = 0.1, quantity = "ac_energy", of = "inverter:inv1", '
    'unit = "kWh", reads = "counter" }, '
    '{ unit_id = 1, address = 20, type = "uint16", quantity = "ac_power", of = "inverter:inv1", unit = "W" }]'
)
WORDS = {1: {10: [0, 12_345], 20: [1800]}}
Fleets = Callable[..., Fleet]


class Clock:
    """Stands until it is moved."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> int:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def fleet_of(fleet_folder: Path) -> Fleets:
    """A fleet whose first site polls devices at these ports, each a source named bus0, bus1 and so on."""

    def make(*ports: int, settings: str = MAP, timeout_s: float = 9.0, first_timeout_s: float = 9.0) -> Fleet:
        site = fleet_folder / "sites/larkrise.toml"
        text = site.read_text().partition('\n[[source]]\nid = "bus')[0]
        for i, port in enumerate(ports):
            text += (
                f'\n[[source]]\nid = "bus{i}"\nkind = "modbus_tcp"\nhost = "{LOOPBACK}"\nport = {port}\n'
                f"interval_minutes = 5\ntimeout_s = {timeout_s if i else first_timeout_s}\nretries = 0\n{settings}\n"
            )
        site.write_text(text)
        fleet = load_fleet(fleet_folder)
        assert fleet.faults == ()
        return fleet

    return make


@pytest.fixture
def store(fleet_folder: Path) -> Iterator[Store]:
    store = Store.open("sqlite:///aftercare.db", fleet_folder)
    yield store
    store.close()


@pytest.fixture
def device() -> Iterator[Device]:
    with Device(WORDS) as device:
        yield device


def stored(store: Store) -> dict[str, Table]:
    with store.read() as conn:
        return load_tables(conn, site="larkrise", first_day=NOON // 86_400 - 1, last_day=NOON // 86_400 + 1)


def readings(table: Table) -> set[tuple[str, int, float]]:
    return {
        (channel.quantity, int(start), float(value))
        for channel, values in table.columns.items()
        for start, value in zip(table.starts, values, strict=True)
        if value == value
    }


def states(store: Store) -> dict[str, PollState]:
    with store.read() as conn:
        return {state.source: state for state in list_polls(conn)}


def test_a_poll_is_stored_with_its_standing(fleet_of: Fleets, store: Store, clock: Clock, device: Device) -> None:
    report = poll_fleet(fleet_of(device.port), store, clock)
    assert summary(report) == "1 devices polled, 1 answered, 2 readings new"
    assert report.all_taken
    assert readings(stored(store)["bus0"]) == {("ac_energy", NOON - 300, 1234.5), ("ac_power", NOON - 150, 1800.0)}
    assert states(store) == {
        "bus0": PollState(site="larkrise", source="bus0", last_try_at=NOON, last_ok_at=NOON, failures=0, trouble="")
    }
    assert device.functions == {3}


def test_twice_in_the_same_second_makes_no_doubles(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device
) -> None:
    fleet = fleet_of(device.port)
    poll_fleet(fleet, store, clock)
    before = readings(stored(store)["bus0"])
    report = poll_fleet(fleet, store, clock)
    assert (report.readings_new, report.readings_same, report.readings_replaced) == (0, 2, 0)
    assert readings(stored(store)["bus0"]) == before


def test_bad_devices_hold_nobody_up_and_each_is_told(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device
) -> None:
    nobody = closed_port()
    with (
        Raw(lambda request: b"") as silent,
        Raw(lambda request: None) as rude,
        Raw(lambda request: b"220 mail.example.org\r\n") as other,
        Device({1: {10: [0, 1]}}) as half,
        Device(WORDS) as last,
    ):
        ports = (device.port, nobody, silent.port, rude.port, other.port, half.port, last.port)
        report = poll_fleet(fleet_of(*ports, timeout_s=0.5), store, clock)
    assert set(stored(store)) == {"bus0", "bus5", "bus6"}
    assert sorted(report.failed) == [
        f"larkrise/bus1: {LOOPBACK}:{nobody}: cannot be reached: Connection refused",
        f"larkrise/bus2: {LOOPBACK}:{silent.port}: unit 1, registers 10 to 11: no answer within 0.5 s",
        f"larkrise/bus3: {LOOPBACK}:{rude.port}: unit 1, registers 10 to 11: it hung up without an answer",
        f"larkrise/bus4: {LOOPBACK}:{other.port}: unit 1, registers 10 to 11: "
        "found 22 bytes that are no Modbus TCP answer",
    ]
    refused = f"{LOOPBACK}:{half.port}: unit 1, register 20: refused with exception 2: it has no such register"
    assert report.reasons[0] == f"larkrise/bus5: {refused}"
    assert (report.polled, report.answered, report.set_aside) == (7, 3, 2)
    assert not report.all_taken
    found = states(store)
    assert [found[f"bus{i}"].failures for i in range(7)] == [0, 1, 1, 1, 1, 0, 0]
    assert found["bus1"].last_ok_at is None
    assert found["bus1"].trouble == f"{LOOPBACK}:{nobody}: cannot be reached: Connection refused"
    assert found["bus5"].trouble == f"2 values set aside, first: {refused}"


def test_a_sunspec_device_is_polled_by_its_models(fleet_of: Fleets, store: Store, clock: Clock) -> None:
    with Device({1: {40_000: sunspec_words(power_w=2345, energy_wh=1_234_567)}}) as inverter:
        poll_fleet(fleet_of(inverter.port, settings='model = "sunspec"'), store, clock)
    found = readings(stored(store)["bus0"])
    assert {("ac_power", NOON - 150, 2345.0), ("ac_energy", NOON - 300, 1_234_567.0)} <= found


def test_what_the_site_does_not_have_is_set_aside(fleet_of: Fleets, store: Store, clock: Clock, device: Device) -> None:
    clock.now = 1_700_000_000  # before the site was commissioned: a clock that is far off
    report = poll_fleet(fleet_of(device.port), store, clock)
    assert "before 2025-05-30 23:00 UTC, the day before the site was commissioned" in report.failed[0]
    assert stored(store) == {}


def test_one_that_hangs_is_left_alone_until_it_comes_back(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    hanging, go = closed_port(), threading.Event()
    real, calls = polling.poll_device, []

    def poll_device(source: BusSource, **rest):  # type: ignore[no-untyped-def]
        calls.append(source.id)
        if source.port == hanging:  # a name that is looked up for ever, say
            go.wait(60)
            return real(source.model_copy(update={"port": device.port}), **rest)
        return real(source, **rest)

    monkeypatch.setattr(polling, "poll_device", poll_device)
    fleet = fleet_of(hanging, device.port, first_timeout_s=0.1)
    poller = Poller(store, clock, poll_s=0.6)
    report = poller.poll(fleet, due_only=True)
    told = f"larkrise/bus0: {LOOPBACK}:{hanging}: did not come back within 1 s; it is left alone until it does"
    assert report.failed == (told,)
    assert readings(stored(store)["bus1"])

    clock.now += 3600
    report = poller.poll(fleet, due_only=True)
    assert (report.polled, report.answered, report.failed) == (1, 1, ())
    assert calls == ["bus0", "bus1", "bus1"]
    assert states(store)["bus0"].failures == 1

    go.set()
    for _ in range(600):
        if poller.poll(fleet, due_only=True).answered:
            break
        threading.Event().wait(0.01)
    assert states(store)["bus0"].failures == 0
    assert readings(stored(store)["bus0"])


def test_a_round_ends_in_time_and_the_next_one_stores_the_rest(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device
) -> None:
    device.delay_s = 0.4
    fleet = fleet_of(device.port)
    poller = Poller(store, clock)
    assert poller.poll(fleet, due_only=True, round_s=0.0).polled == 0
    assert stored(store) == {}
    assert poller.poll(fleet, due_only=True).answered == 1
    assert len(readings(stored(store)["bus0"])) == 2
    assert len(device.requests) == 2


def test_devices_behind_one_address_are_asked_one_after_the_other(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device
) -> None:
    at_once, most = [0], [0]
    connected = device._connected

    def count(is_connected: bool) -> None:
        at_once[0] += 1 if is_connected else -1
        most[0] = max(most[0], at_once[0])
        connected(is_connected)

    device._connected = count  # type: ignore[method-assign]
    device._server.trace_connect = count
    assert poll_fleet(fleet_of(device.port, device.port, device.port), store, clock).answered == 3
    assert (device.connections, most) == (3, [1])


def test_a_mistake_of_ours_costs_one_device(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = polling.poll_device

    def stumble(source: BusSource, **rest):  # type: ignore[no-untyped-def]
        if source.id == "bus0":
            raise ZeroDivisionError("by chance")
        return real(source, **rest)

    monkeypatch.setattr(polling, "poll_device", stumble)
    report = poll_fleet(fleet_of(device.port, device.port), store, clock)
    expected = f"larkrise/bus0: {LOOPBACK}:{device.port}: could not be polled: ZeroDivisionError: by chance"
    assert report.failed == (expected,)
    assert set(stored(store)) == {"bus1"}


def test_polls_wait_for_a_store_that_cannot_be_reached(
    fleet_of: Fleets, clock: Clock, device: Device, fleet_folder: Path
) -> None:
    store = Store.open("sqlite:///aftercare.db", fleet_folder, wait_s=0.1)
    other = Store.open("sqlite:///aftercare.db", fleet_folder)
    fleet = fleet_of(device.port, device.port)
    poller = Poller(store, clock)
    poller.poll(fleet, due_only=True)
    with other.write():
        for _ in range(2):
            clock.now += 300
            with pytest.raises(
                StoreUnavailable, match=r"aftercare.db cannot be used: .*; \d polls wait for it in memory"
            ):
                poller.poll(fleet, due_only=True)
    clock.now += 60
    report = poller.poll(fleet, due_only=True)
    assert (report.polled, report.readings_new) == (0, 8)
    starts = {start for quantity, start, _ in readings(stored(store)["bus1"]) if quantity == "ac_power"}
    assert starts == {NOON - 150, NOON + 150, NOON + 450}
    assert states(store)["bus1"].last_ok_at == NOON + 600
    for one in (store, other):
        one.close()


def test_told_to_stop_it_starts_nothing_more(fleet_of: Fleets, store: Store, clock: Clock, device: Device) -> None:
    report = Poller(store, clock).poll(fleet_of(device.port), due_only=True, should_stop=lambda: True)
    assert (report.polled, report.complete) == (0, False)
    assert device.requests == []


@pytest.mark.parametrize(
    ("failures", "last_try", "now", "due"),
    [
        (0, NOON, NOON + 240, False),
        (0, NOON + 299, NOON + 300, True),  # at the multiples of the interval, not that long after the last poll
        (0, NOON + 1, NOON + 299, False),
        (1, NOON + 30, NOON + 60, True),
        (2, NOON, NOON + 119, False),
        (2, NOON + 30, NOON + 120, True),
        (5, NOON, NOON + 15 * 60, False),
        (5, NOON, NOON + 16 * 60, True),
        (60, NOON, NOON + 29 * 60, False),
        (60, NOON, NOON + 30 * 60, True),
        (0, NOON + 7200, NOON, True),  # the clock was set back
    ],
)
def test_who_is_due(fleet_of: Fleets, failures: int, last_try: int, now: int, due: bool) -> None:
    ((_, source),) = bus_sources(fleet_of(502))
    state = PollState(site="larkrise", source="bus0", last_try_at=last_try, failures=failures)
    assert is_due(source, state, now) is due


def test_never_polled_is_due_and_the_store_remembers(
    fleet_of: Fleets, store: Store, clock: Clock, device: Device
) -> None:
    fleet = fleet_of(device.port)
    assert Poller(store, clock).poll(fleet, due_only=True).polled == 1
    assert Poller(store, clock).poll(fleet, due_only=True).polled == 0  # another process, the same store
    clock.now += 300
    assert Poller(store, clock).poll(replace(fleet, sites=fleet.sites[1:]), due_only=True).polled == 0
    assert Poller(store, clock).poll(fleet, due_only=True).polled == 1
