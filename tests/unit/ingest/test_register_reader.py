"""Register dumps: words to values by hand-made bit patterns (IEEE 754, two's complement)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ingest.errors import InputError
from ingest.readers import reader_for
from ingest.readings import ReadResult
from ingest.sources import BusSource, RegisterSource

ReadDump = Callable[..., ReadResult]
NOON = 1_780_315_200  # 2026-06-01T12:00:00Z


def dump(*words: object, at: str = "2026-06-01T12:00:00Z", first: int = 100) -> str:
    return "".join(f"{at},3,{first + i},{word}\n" for i, word in enumerate(words))


HEAD = "at,unit,address,word\n"


def value(result: ReadResult) -> float:
    (table,) = result.tables
    ((channel, values),) = table.columns.items()
    assert (table.starts.tolist(), channel.subject) == ([NOON], "meter:gen1")
    return float(values[0])


@pytest.mark.parametrize(
    ("kind", "words", "expected"),
    [
        ("uint16", (65_534,), 65_534.0),
        ("uint16", (65_535,), None),
        ("int16", ("0xFFFE",), -2.0),
        ("int16", ("0x8000",), None),
        ("uint32", (1, 2), 65_538.0),
        ("uint32", ("0xffff", "0xffff"), None),
        ("int32", (65_535, 65_534), -2.0),
        ("int32", ("0x8000", 0), None),
        ("uint64", (0, 1, 0, 2), 4_294_967_298.0),
        ("int64", (65_535, 65_535, 65_535, 65_533), -3.0),
        ("float32", ("0x42F6", "0xE979"), pytest.approx(123.456, abs=1e-5)),
        ("float32", ("0x7FC0", 0), None),
        ("float64", ("0x405E", "0xDD2F", "0x1A9F", "0xBE77"), 123.456),
    ],
)
def test_types(kind: str, words: tuple[object, ...], expected: object, read_dump: ReadDump) -> None:
    found = value(read_dump(HEAD + dump(*words), {"address": 100, "type": kind}))
    assert np.isnan(found) if expected is None else found == expected


def test_the_low_word_may_come_first(read_dump: ReadDump) -> None:
    point = {"address": 100, "type": "uint32", "word_order": "little"}
    assert value(read_dump(HEAD + dump(2, 1), point)) == 65_538.0


@pytest.mark.parametrize(("scale", "expected"), [(0.01, 12.34), (0.1, 123.4), (10.0, 12_340.0), (1.0, 1234.0)])
def test_a_scale_gives_the_decimal_number_itself(scale: float, expected: float, read_dump: ReadDump) -> None:
    assert value(read_dump(HEAD + dump(1234), {"address": 100, "type": "uint16", "scale": scale})) == expected


@pytest.mark.parametrize(("power", "expected"), [("0xFFFE", 12.34), (0, 1234.0), (2, 123_400.0)])
def test_a_scale_register_is_a_signed_power_of_ten(power: object, expected: float, read_dump: ReadDump) -> None:
    point = {"address": 100, "type": "uint16", "scale": {"address": 101}}
    assert value(read_dump(HEAD + dump(1234, power), point)) == expected


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        (dump(1234, 77), "the power of ten in register 101 is 77, outside -10 to 10; the value is not taken"),
        (dump(1234), "the scale register 101 of unit 3 is nowhere in the file, so meter:gen1 has no value"),
    ],
)
def test_without_its_scale_a_value_is_not_taken(rows: str, reason: str, read_dump: ReadDump) -> None:
    result = read_dump(HEAD + rows, {"address": 100, "type": "uint16", "scale": {"address": 101}})
    assert [r.reason for r in result.rejects] == [reason]
    assert all(np.isnan(v).all() for table in result.tables for v in table.columns.values())


def test_half_a_value_is_not_taken_and_other_polls_are(read_dump: ReadDump) -> None:
    text = HEAD + dump(0, 5) + dump(7, at="2026-06-01T12:30:00Z", first=101)
    result = read_dump(text, {"address": 100, "type": "uint32"})
    assert value(result) == 5.0
    (reject,) = result.rejects
    assert (reject.line, reject.text) == (4, "7")
    assert reject.reason == "half a value: register 100 of unit 3 is not in the same poll"


def test_a_register_that_is_nowhere_is_named(read_dump: ReadDump) -> None:
    result = read_dump(HEAD + dump(1), {"address": 100, "type": "uint16"}, {"address": 900, "type": "uint16"})
    assert [r.reason for r in result.rejects] == [
        "register 900 of unit 3 is nowhere in the file; ac_power of meter:gen1 needs it"
    ]
    assert value(result) == 1.0


@pytest.mark.parametrize("word", ["65536", "-1", "0xZZ", "1.5", "", "1_0", "0x10000"])
def test_a_word_that_is_none_is_a_reject(word: str, read_dump: ReadDump) -> None:
    result = read_dump(HEAD + dump(5) + dump(word, at="2026-06-01T12:30:00Z"), {"address": 100, "type": "uint16"})
    assert value(result) == 5.0
    (reject,) = result.rejects
    assert (reject.line, reject.field, reject.text) == (3, "word", word)
    assert reject.reason == "expected a whole number from 0 to 65535, decimal or 0x hex"


def test_of_two_words_at_one_time_the_later_row_is_taken(read_dump: ReadDump) -> None:
    result = read_dump(HEAD + dump(5) + dump(6), {"address": 100, "type": "uint16"})
    assert value(result) == 6.0
    assert result.notes == ("1 rows repeat a register at a time; 1 differ, the later row was taken",)


def test_sources_that_this_version_does_not_read_are_told() -> None:
    common = {"id": "inv", "interval_minutes": 5, "model": "sunspec"}
    chain = RegisterSource.model_validate(
        common
        | {
            "kind": "registers",
            "files": "x",
            "time": {"column": "at", "zone": "UTC"},
            "registers": {"unit_id": "u", "address": "a", "word": "w"},
        }
    )
    bus = BusSource.model_validate(common | {"kind": "modbus_tcp", "host": "localhost"})
    with pytest.raises(InputError, match="source inv: model 'sunspec' is not read by this version; describe the point"):
        reader_for(chain)
    with pytest.raises(InputError, match="source inv: kind 'modbus_tcp' is not read by this version; it reads regist"):
        reader_for(bus)
