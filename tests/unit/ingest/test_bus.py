"""One connection to a device: what is asked, which answers are taken, and how the others are told."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from typing import Any

import pytest

from ingest.bus import Line, Refused, Unanswered
from tests.bus_devices import LOOPBACK, Device, Raw, closed_port

SHORT = 0.25  # how long an answer is waited for that will not come
WORDS = list(range(100, 150))


@pytest.fixture
def device() -> Iterator[Device]:
    with Device({1: {3000: WORDS}, 4: {3000: WORDS[::-1]}}) as device:
        yield device


def line(port: int, **options: Any) -> Line:
    settings: dict[str, Any] = {"function": "holding", "timeout_s": 9.0, "retries": 0, "until": time.monotonic() + 60}
    return Line(LOOPBACK, port, **{**settings, **options})


def answer(request: bytes, *, pdu: bytes, transaction: int | None = None, unit: int | None = None) -> bytes:
    """A frame that answers a request."""
    head = request[:2] if transaction is None else transaction.to_bytes(2, "big")
    unit = request[6] if unit is None else unit
    return head + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes([unit]) + pdu


def test_words_come_as_they_stand_and_only_reads_go_out(device: Device) -> None:
    with line(device.port) as holding:
        assert holding.read(1, 3000, 50).tolist() == WORDS
        assert holding.read(4, 3001, 2).tolist() == WORDS[::-1][1:3]
    with line(device.port, function="input") as inputs:
        assert inputs.read(1, 3049, 1).tolist() == WORDS[-1:]
    assert [(r[6], r[7]) for r in device.requests] == [(1, 3), (4, 3), (1, 4)]
    assert device.connections == 2


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (1, "exception 1: it does not offer this function"),
        (2, "exception 2: it has no such register"),
        (4, "exception 4: it failed while reading"),
        (6, "exception 6: it is busy"),
        (11, "exception 11: the gateway got no answer from it"),
    ],
)
def test_a_refusal_is_told_with_its_code_in_words(device: Device, code: int, words: str) -> None:
    device.refusals[3000] = [code]
    expected = f"{LOOPBACK}:{device.port}: unit 1, registers 3000 to 3001: refused with {words}"
    with line(device.port) as asked, pytest.raises(Refused, match=f"^{re.escape(expected)}$") as caught:
        asked.read(1, 3000, 2)
    assert caught.value.code == code


# A pause before asking again is a part of the time-out.
@pytest.mark.parametrize(("code", "requests"), [(2, 1), (4, 3), (6, 3), (10, 3)])
def test_only_a_refusal_that_may_pass_is_asked_again(device: Device, code: int, requests: int) -> None:
    device.refusals[3000] = [code, code]
    with line(device.port, retries=2, timeout_s=1.0) as asked:
        if requests == 1:
            with pytest.raises(Refused):
                asked.read(1, 3000, 2)
        else:
            assert asked.read(1, 3000, 2).tolist() == [100, 101]
    assert device.asked() == [(1, 3000, 2)] * requests
    assert device.connections == 1


def test_an_address_that_is_not_there_is_refused_by_the_device(device: Device) -> None:
    with line(device.port) as asked, pytest.raises(Refused, match="unit 1, register 7: refused with exception 2"):
        asked.read(1, 7, 1)


def test_nobody_listens(device: Device) -> None:
    port = closed_port()
    told = f"^{LOOPBACK}:{port}: cannot be reached: Connection refused$"
    with line(port, retries=1, timeout_s=SHORT) as asked, pytest.raises(Unanswered, match=told):
        asked.read(1, 3000, 2)


def test_a_name_that_does_not_exist() -> None:
    asked = Line("nowhere.invalid", 502, function="holding", timeout_s=9, retries=0, until=time.monotonic() + 60)
    with asked, pytest.raises(Unanswered, match="^nowhere.invalid:502: cannot be reached: "):
        asked.read(1, 0, 1)


def test_silence_is_told_and_asked_again_on_a_new_connection(device: Device) -> None:
    silent = [True, True]
    device.spoil = lambda data: b"" if silent and silent.pop() else data
    with line(device.port, retries=1, timeout_s=SHORT) as asked:
        with pytest.raises(Unanswered, match="unit 1, register 3000: no answer within 0.25 s$"):
            asked.read(1, 3000, 1)
        assert asked.read(1, 3000, 1).tolist() == [100]
    assert device.connections == 3


def test_a_late_answer_is_never_taken_for_the_next_ones(device: Device) -> None:
    device.delay_s = 0.4
    with line(device.port, timeout_s=SHORT) as asked:
        with pytest.raises(Unanswered, match="no answer within 0.25 s"):
            asked.read(1, 3000, 2)
        device.delay_s = 0.0
        assert asked.read(1, 3010, 2).tolist() == [110, 111]


TWO_WORDS = b"\x03\x04\x00\x01\x00\x02"


@pytest.mark.parametrize(
    ("spoiled", "told"),
    [
        ({"pdu": TWO_WORDS, "unit": 9}, "found an answer of unit 9; expected one of unit 1"),
        ({"pdu": TWO_WORDS, "transaction": 77}, "found an answer to another request (transaction 77); expected 1"),
        ({"pdu": TWO_WORDS, "transaction": 0}, "found an answer to another request (transaction 0); expected 1"),
        ({"pdu": b"\x03\x02\x00\x01"}, "found 1 words; expected 2"),
        ({"pdu": b"\x03\x06\x00\x01\x00\x02\x00\x03"}, "found 3 words; expected 2"),
        ({"pdu": b"\x03\x05\x00\x01\x00\x02\x00"}, "found an answer that tells of 5 bytes and holds 5; expected 4"),
        ({"pdu": b"\x03\x02\x00\x01\x00\x02"}, "found an answer that tells of 2 bytes and holds 4; expected 4"),
        ({"pdu": b"\x03\x06\x00\x01\x00\x02"}, "found an answer that tells of 6 bytes and holds 4; expected 4"),
        ({"pdu": b"\x03"}, "found an answer that tells of no byte and holds 0; expected 4"),
        ({"pdu": b"\x04\x04\x00\x01\x00\x02"}, "found an answer to function 4; expected 3"),
        ({"pdu": b"\x06\x00\x01\x00\x02"}, "found an answer to function 6; expected 3"),
        ({"pdu": b"\x84\x02"}, "found an answer to function 4; expected 3"),
        ({"pdu": b"\x83"}, "found a refusal without a reason"),
        ({"pdu": b"\x63\x04\x00\x01\x00\x02"}, "found an answer to function 99; expected 3"),
    ],
)
def test_an_answer_that_does_not_fit_gives_no_words(spoiled: dict[str, Any], told: str) -> None:
    expected = pytest.raises(Unanswered, match=f"unit 1, registers 3000 to 3001: {re.escape(told)}$")
    with Raw(lambda request: answer(request, **spoiled)) as raw, line(raw.port, timeout_s=SHORT) as asked, expected:
        asked.read(1, 3000, 2)


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", "found 28 bytes that are no Modbus TCP answer"),
        (b"\x00\x01\x00", "found 3 bytes that are no Modbus TCP answer"),
        (b"\x00\x01\x00\x00\x00\x07\x01\x03\x04\x00", "found an answer that breaks off after 10 of 13 bytes"),
        (
            b"\x00\x01\x00\x00\x00\x00\x01\x03\x04\x00\x01\x00\x02",
            "found an answer that tells of no byte and holds 0; expected 4",
        ),
        (b"\x00" * 300, "found an answer of unit 0; expected one of unit 1"),
        (None, "it hung up without an answer"),
    ],
)
def test_what_is_no_answer_at_all(sent: bytes | None, told: str) -> None:
    expected = pytest.raises(Unanswered, match=f"unit 1, registers 3000 to 3001: {re.escape(told)}$")
    with Raw(lambda request: sent) as raw, line(raw.port, timeout_s=SHORT) as asked, expected:
        asked.read(1, 3000, 2)


def test_the_right_answer_behind_a_strange_one_is_taken() -> None:
    def both(request: bytes) -> bytes:
        return answer(request, pdu=TWO_WORDS, transaction=999) + answer(request, pdu=b"\x03\x04\x00\x07\x00\x08")

    with Raw(both) as raw, line(raw.port) as asked:
        assert asked.read(1, 3000, 2).tolist() == [7, 8]


def test_an_answer_with_more_behind_it_is_not_believed() -> None:
    told = "unit 1, registers 3000 to 3001: found an answer with 3 bytes beyond its end; expected none$"
    expected = pytest.raises(Unanswered, match=told)
    with Raw(lambda request: answer(request, pdu=TWO_WORDS) + b"\0\1\0") as raw, line(raw.port) as asked, expected:
        asked.read(1, 3000, 2)


def test_the_library_logs_nothing_of_what_came(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(1)
    expected = pytest.raises(Unanswered, match="found an answer to function 2; expected 3")
    with Raw(lambda request: b"\0\1\0\0\0\3\1\2\1") as raw, line(raw.port, timeout_s=SHORT) as asked, expected:
        asked.read(1, 3000, 2)
    assert caplog.records == []


def test_no_request_is_begun_after_the_time_is_over(device: Device) -> None:
    told = f"^{LOOPBACK}:{device.port}: the time for this poll was over"
    with line(device.port, until=time.monotonic() - 1) as asked, pytest.raises(Unanswered, match=told):
        asked.read(1, 3000, 2)
    assert device.requests == []
