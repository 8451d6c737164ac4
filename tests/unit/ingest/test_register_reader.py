"""Register dumps: words to values by hand-made bit patterns (IEEE 754, two's complement)."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations

import numpy as np
import pytest

from ingest.errors import InputError
from ingest.readers import reader_for
from ingest.readings import ReadResult
from ingest.sources import BusSource

ReadDump = Callable[..., ReadResult]
NOON = 1_780_315_200  # 2026-06-01T12:00:00Z
LATER = "2026-06-01T12:30:00Z"


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


def test_a_device_that_is_polled_has_no_files_to_read() -> None:
    bus = BusSource.model_validate(
        {"id": "inv", "interval_minutes": 5, "model": "sunspec", "kind": "modbus_tcp", "host": "localhost"}
    )
    with pytest.raises(InputError, match="source inv: kind 'modbus_tcp' is not read by this version; it reads regist"):
        reader_for(bus)


def test_the_low_words_of_a_long_value_may_come_first(read_dump: ReadDump) -> None:
    words = ("0xBE77", "0x1A9F", "0xDD2F", "0x405E")
    assert value(read_dump(HEAD + dump(*words), {"address": 100, "type": "float64", "word_order": "little"})) == 123.456


def test_rows_may_stand_in_any_order_and_words_in_any_notation(read_dump: ReadDump) -> None:
    rows = dump(1, "0X000a", " 0xFFFF ", 7).splitlines(keepends=True) + dump("0x0001", at=LATER).splitlines(True)
    points = ({"address": 100, "type": "uint32"}, {"address": 103, "type": "int16", "scale": 0.1, "of": "meter:b"})
    forwards = read_dump(HEAD + "".join(rows), *points)
    for order in permutations(rows):
        found = read_dump(HEAD + "".join(order), *points)
        assert readings(found) == readings(forwards)
        assert [r.reason for r in found.rejects] == ["half a value: register 101 of unit 3 is not in the same poll"]
    assert readings(forwards) == [(NOON, 65_546.0), (NOON, 0.7)]


def test_units_of_one_bus_are_kept_apart(read_dump: ReadDump) -> None:
    rows = "at,unit,address,word\n" + "".join(f"2026-06-01T12:00:00Z,{u},100,{u * 10}\n" for u in (7, 3, 0, 255))
    points = [{"unit_id": u, "address": 100, "type": "uint16", "of": f"inverter:{u}"} for u in (0, 3, 7, 255)]
    result = read_dump(rows, *points)
    (table,) = result.tables
    assert {c.subject: v.tolist() for c, v in table.columns.items()} == {
        f"inverter:{u}": [u * 10.0] for u in (0, 3, 7, 255)
    }


def test_rows_of_one_poll_may_be_stamped_some_seconds_apart(read_dump: ReadDump) -> None:
    text = HEAD + dump(1, at="2026-06-01T12:00:00Z") + dump(2, at="2026-06-01T12:00:05Z", first=101)
    point = {"address": 100, "type": "uint32"}
    assert value(read_dump(text, point)) == 65_538.0
    (reject,) = read_dump(text, point, tolerance_s=4).rejects[:1]
    assert reject.reason == "half a value: register 101 of unit 3 is not in the same poll"


def test_a_value_that_was_read_again_by_half_is_none(read_dump: ReadDump) -> None:
    point = {"address": 100, "type": "uint32"}
    assert value(read_dump(HEAD + dump(1, 5) + dump(2, 6), point)) == 131_078.0
    assert value(read_dump(HEAD + dump(1, 5) + dump(1), point)) == 65_541.0
    result = read_dump(HEAD + dump(1, 5) + dump(2), point)
    assert result.tables == ()
    (reject,) = result.rejects
    assert reject.reason.startswith("half a value: its registers came again in the same poll with other words, and not")


def test_the_dialect_of_a_dump_is_told(read_dump: ReadDump) -> None:
    found = read_dump("A title\n" + (HEAD + dump(5)).replace(",", ";"), {"address": 100, "type": "uint16"}).dialect
    assert found is not None
    assert (found.encoding, found.delimiter, found.header_line) == ("utf-8", ";", 2)
    assert found.columns == ("at", "unit", "address", "word")


def test_a_bad_row_among_many_is_found_and_lines_are_those_of_the_file(read_dump: ReadDump) -> None:
    stamps = [f"2026-06-01T{hour:02d}:30:00Z" for hour in range(20)]
    rows = [dump(1, hour, at=stamp) for hour, stamp in enumerate(stamps)]
    rows[7] = dump(1, at=stamps[7]) + "\n" + dump("0xQQ", at=stamps[7], first=101)
    result = read_dump(HEAD + "".join(rows), {"address": 100, "type": "uint32"})
    assert [(r.line, r.text) for r in result.rejects] == [(16, "1"), (18, "0xQQ")]
    assert [v for _, v in readings(result)] == [65_536.0 + hour for hour in range(20) if hour != 7]


def readings(result: ReadResult) -> list[tuple[int, float]]:
    """Time and value of all readings that are no gaps."""
    return [
        (start, value)
        for table in result.tables
        for values in table.columns.values()
        for start, value in zip(table.starts.tolist(), values.tolist(), strict=True)
        if not np.isnan(value)
    ]
