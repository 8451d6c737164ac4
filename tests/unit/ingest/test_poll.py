"""One poll of a device: which registers are asked for, which readings come of them, and what is said of the rest."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any

import pytest

from ingest.errors import InputError
from ingest.poll import Chains, poll_device
from ingest.readings import ReadResult
from ingest.sources import BusSource
from tests.bus_devices import LOOPBACK, Device, closed_port, sunspec_words

NOW = 1_750_000_000
COUNTER = {
    "unit_id": 3, "address": 4000, "type": "uint32", "scale": 0.01, "quantity": "ac_energy", "of": "meter:gen1",
    "unit": "kWh", "reads": "counter",
}  # fmt: skip
POWER = {
    "unit_id": 3, "address": 4002, "type": "int16", "scale": {"address": 4010}, "quantity": "ac_power",
    "of": "meter:gen1", "unit": "W",
}  # fmt: skip
VOLTAGE = {"unit_id": 5, "address": 7, "type": "uint16", "quantity": "ac_voltage", "of": "inverter:inv1", "unit": "V"}
UNITS = {3: {4000: [0x0001, 0x86A0, 0x04D2], 4010: [0xFFFF]}, 5: {7: [231]}}


@pytest.fixture
def device() -> Iterator[Device]:
    with Device(UNITS) as device:
        yield device


def source(port: int, *points: dict[str, Any], **settings: Any) -> BusSource:
    given = {"map": points} if points else {"model": "sunspec", "subjects": {"inverter": "inverter:inv1"}}
    patient = {"timeout_s": 9.0, "retries": 0}
    return BusSource.model_validate(
        {"id": "bus", "kind": "modbus_tcp", "host": LOOPBACK, "port": port, "interval_minutes": 5}
        | patient | given | settings
    )  # fmt: skip


def poll(source: BusSource, chains: Chains | None = None) -> ReadResult:
    return poll_device(source, clock=lambda: NOW, chains={} if chains is None else chains, within_s=60.0)


def values(result: ReadResult) -> dict[tuple[str, str], tuple[int, float]]:
    """Start and value by subject and quantity, gaps left out."""
    return {
        (channel.subject, channel.quantity): (int(table.starts[0]), float(column[0]))
        for table in result.tables
        for channel, column in table.columns.items()
        if not math.isnan(column[0])
    }


def told(result: ReadResult) -> list[str]:
    return [reject.reason for reject in result.rejects]


def test_a_map_gives_a_counter_at_its_intervals_end_and_a_mean_around_its_instant(device: Device) -> None:
    result = poll(source(device.port, COUNTER, POWER, VOLTAGE))
    assert values(result) == {
        ("meter:gen1", "ac_energy"): (NOW - 300, 1000.0),
        ("meter:gen1", "ac_power"): (NOW - 150, 123.4),
        ("inverter:inv1", "ac_voltage"): (NOW - 150, 231.0),
    }
    assert (result.rejects, result.rows) == ((), 1)
    assert device.asked() == [(3, 4000, 3), (3, 4010, 1), (5, 7, 1)]
    assert device.functions == {3}
    assert device.connections == 1


def test_input_registers_are_asked_for_with_their_function(device: Device) -> None:
    assert len(values(poll(source(device.port, VOLTAGE, function="input")))) == 1
    assert device.functions == {4}


def test_a_register_that_is_not_there_costs_its_own_value_alone(device: Device) -> None:
    strange = {**COUNTER, "address": 4003, "quantity": "export_energy"}
    result = poll(source(device.port, COUNTER, POWER, strange))
    assert set(values(result)) == {("meter:gen1", "ac_energy"), ("meter:gen1", "ac_power")}
    assert told(result) == [
        "unit 3, registers 4003 to 4004: refused with exception 2: it has no such register",
        "register 4003, 4004 of unit 3 was not read; export_energy of meter:gen1 has no value",
    ]
    assert {reject.file for reject in result.rejects} == {f"{LOOPBACK}:{device.port}"}
    assert device.asked()[:1] == [(3, 4000, 5)]


def test_a_unit_that_does_not_answer_is_asked_once_and_the_others_are_read(device: Device) -> None:
    device.spoil = lambda answer: b"" if answer[6] == 3 else answer
    result = poll(source(device.port, COUNTER, POWER, VOLTAGE, timeout_s=0.3))
    assert set(values(result)) == {("inverter:inv1", "ac_voltage")}
    assert told(result)[0] == "unit 3, registers 4000 to 4002: no answer within 0.3 s"
    assert device.asked() == [(3, 4000, 3), (5, 7, 1)]


@pytest.mark.parametrize("settings", [{}, {"model": "sunspec", "map": (), "subjects": {"inverter": "inverter:inv1"}}])
def test_nobody_there_is_an_error_about_the_whole_poll(settings: dict[str, Any]) -> None:
    port = closed_port()
    there_is_none = re.escape(f"{LOOPBACK}:{port}: cannot be reached: Connection refused")
    with pytest.raises(InputError, match=f"^{there_is_none}$"):
        poll(source(port, COUNTER, VOLTAGE, **settings))


def test_a_device_that_only_refuses_is_an_error_with_its_words(device: Device) -> None:
    device.refusals = {4000: [6], 4010: [6]}
    told = "unit 3, registers 4000 to 4002: refused with exception 6: it is busy; and 1 more like it"
    with pytest.raises(InputError, match=f"^{LOOPBACK}:{device.port}: {told}$"):
        poll(source(device.port, COUNTER, POWER))


def test_wrong_words_never_become_a_reading(device: Device) -> None:
    device.spoil = lambda answer: answer[:-2] if answer[8] > 2 else answer  # two bytes short, the frame's length kept
    result = poll(source(device.port, COUNTER, VOLTAGE, timeout_s=0.3))
    assert set(values(result)) == {("inverter:inv1", "ac_voltage")}
    assert told(result)[0].endswith("found an answer that breaks off after 11 of 13 bytes")


@pytest.fixture
def inverter() -> Iterator[Device]:
    with Device({1: {40_000: sunspec_words(power_w=2345, energy_wh=1_234_567)}}) as device:
        yield device


def test_a_sunspec_device_is_walked_once_and_then_only_read(inverter: Device) -> None:
    chains: Chains = {}
    first = values(poll(source(inverter.port), chains))
    walked = len(inverter.requests)
    assert first["inverter:inv1", "ac_power"] == (NOW - 150, 2345.0)
    assert first["inverter:inv1", "ac_energy"] == (NOW - 300, 1_234_567.0)
    assert values(poll(source(inverter.port), chains)) == first
    assert len(inverter.requests) - walked < walked
    assert inverter.functions == {3}
    assert [(chain.base, chain.complete) for chain in chains.values()] == [(40_000, True)]


def test_a_device_whose_chain_has_moved_is_walked_anew(inverter: Device) -> None:
    chains: Chains = {}
    before = values(poll(source(inverter.port), chains))
    with Device({1: {0: sunspec_words(power_w=100, energy_wh=1_234_600)}}) as moved:
        chains[LOOPBACK, moved.port, 1] = chains[LOOPBACK, inverter.port, 1]
        after = poll(source(moved.port), chains)
        assert values(after)["inverter:inv1", "ac_power"] == (NOW - 150, 100.0)
        assert after.rejects == ()
        assert chains[LOOPBACK, moved.port, 1].base == 0
    assert before["inverter:inv1", "ac_power"][1] == 2345.0


def test_another_model_at_the_known_place_is_never_read_as_the_old_one(inverter: Device) -> None:
    chains: Chains = {}
    poll(source(inverter.port), chains)
    words = sunspec_words(power_w=100, energy_wh=1_234_600, before=[64_001, 3, 7, 7, 7])
    with Device({1: {40_000: words}}) as other:
        chains[LOOPBACK, other.port, 1] = chains[LOOPBACK, inverter.port, 1]
        result = poll(source(other.port), chains)
    assert values(result)["inverter:inv1", "ac_power"][1] == 100.0
    assert values(result)["inverter:inv1", "ac_energy"][1] == 1_234_600.0


def test_no_marker_is_told_with_the_places_looked_at() -> None:
    with Device({1: {40_000: [1, 2, 3, 4]}}) as other:
        told = f"{LOOPBACK}:{other.port}: unit 1: no marker (0x5375 0x6E53) at register 40000, 0 or 50000"
        with pytest.raises(InputError, match=f"^{re.escape(told)}"):
            poll(source(other.port))
        with pytest.raises(InputError, match="no marker .* at register 60000; "):
            poll(source(other.port, base_address=60_000))


def test_a_chain_that_breaks_off_is_read_told_and_not_kept() -> None:
    words = sunspec_words(power_w=2345, energy_wh=1_234_567)[:-2]
    with Device({1: {40_000: words}}) as broken:
        chains: Chains = {}
        result = poll(source(broken.port), chains)
    assert values(result)["inverter:inv1", "ac_power"][1] == 2345.0
    end = 40_000 + len(words)
    assert told(result)[-1] == (
        f"unit 1: the chain of models breaks off before register {end}; expected a next or end block"
    )
    assert chains == {}


def test_silence_at_a_first_base_is_no_end_of_the_search() -> None:
    with Device({1: {0: sunspec_words(power_w=2345, energy_wh=1)}}) as silent_elsewhere:
        # Refusals swallowed: this device keeps quiet about registers that it does not have.
        silent_elsewhere.spoil = lambda answer: b"" if answer[7] & 0x80 else answer
        result = poll(source(silent_elsewhere.port, timeout_s=0.3))
    assert values(result)["inverter:inv1", "ac_power"][1] == 2345.0


def test_silence_in_the_middle_of_a_walk_ends_the_poll() -> None:
    with Device({1: {40_000: sunspec_words(power_w=2345, energy_wh=1)}}) as device:
        device.spoil = lambda answer: b"" if len(device.requests) > 2 else answer
        chains: Chains = {}
        with pytest.raises(InputError, match=r"unit 1, registers \d+ to \d+: no answer within 0.3 s"):
            poll(source(device.port, timeout_s=0.3), chains)
    assert chains == {}


def test_a_scale_factor_out_of_bounds_gives_no_value(inverter: Device) -> None:
    words = sunspec_words(power_w=2345, energy_wh=1_234_567, power_scale=11)
    with Device({1: {40_000: words}}) as odd:
        result = poll(source(odd.port))
    assert ("inverter:inv1", "ac_power") not in values(result)
    assert values(result)["inverter:inv1", "ac_energy"][1] == 1_234_567.0
    assert any("is 11, outside -10 to 10" in reason for reason in told(result))


def test_the_poll_ends_when_its_time_is_over(device: Device) -> None:
    with pytest.raises(InputError, match="the time for this poll was over before all was read"):
        poll_device(source(device.port, COUNTER, VOLTAGE), clock=lambda: NOW, chains={}, within_s=0.0)
