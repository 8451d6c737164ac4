"""Times of tables: in two columns, counted from 1970, with an offset for all the year, day or month first."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from pydantic import ValidationError

from ingest.readings import ReadResult
from ingest.sources import TableSource, TableTime, TimeSpec

ReadTable = Callable[..., ReadResult]


def times(result: ReadResult) -> list[str]:
    return [
        datetime.fromtimestamp(int(t), UTC).strftime("%m-%dT%H:%M") for table in result.tables for t in table.starts
    ]


TWO = "Date,Clock,V,P\n{},{},1,2\n{},{},3,4\n"


@pytest.mark.parametrize(
    ("form", "cells"),
    [
        (None, ("2026-06-01", "12:00", "2026-06-01", "12:05")),
        (None, ("2026-06-01", "12:00:00Z", "2026-06-01", "12:05:00Z")),
        ("%d.%m.%Y %H:%M", ("01.06.2026", "12:00", " 01.06.2026 ", '" 12:05"')),
        ("%m/%d/%y %I:%M %p", ("6/1/26", "12:00 PM", "06/01/26", "12:05 p.m.")),
    ],
)
@pytest.mark.parametrize("spare", ["", "2026-06-02,13:00,5,x\n"])  # a quick look and a careful one
def test_date_and_clock_time_in_two_columns(
    form: str | None, cells: tuple[str, ...], spare: str, read_table: ReadTable
) -> None:
    time = {"column": "Date", "clock_column": "Clock", "format": form, "zone": "UTC"}
    result = read_table(TWO.format(*cells) + spare, time=time)
    assert times(result)[:2] == ["06-01T12:00", "06-01T12:05"]
    assert len(result.rejects) == (0 if not spare else 1 if form is None else 2)


def test_a_date_without_its_clock_time_is_not_midnight(read_table: ReadTable) -> None:
    text = TWO.format("2026-06-01", "", "", "12:05")
    result = read_table(text, time={"column": "Date", "clock_column": "Clock"})
    assert [(r.line, r.field, r.text) for r in result.rejects] == [(2, "Date", "2026-06-01"), (3, "Date", "12:05")]
    assert "expected an ISO 8601 date such as 2026-03-01 and a clock time such as 12:00" in result.rejects[0].reason
    assert times(result) == []


def test_an_absent_clock_column_is_one_reject(read_table: ReadTable) -> None:
    (reject,) = read_table(TWO.format(*"abcd"), time={"column": "Date", "clock_column": "Tick"}).rejects
    assert "there is no column 'Tick'" in reject.reason


def test_the_end_of_a_day_in_two_columns(read_table: ReadTable) -> None:
    text = TWO.format("31.05.2026", "24:00", "01.06.2026", "00:05")
    time = {"column": "Date", "clock_column": "Clock", "format": "%d.%m.%Y %H:%M"}
    assert times(read_table(text, time=time)) == ["06-01T00:00", "06-01T00:05"]


@pytest.mark.parametrize(
    ("form", "cell"),
    [
        ("epoch_s", "1780315200"),
        ("epoch_s", "1780315200.75"),
        ("epoch_ms", "1780315200999"),
        ("epoch_ms", '" 1780315200000 "'),
    ],
)
def test_times_counted_from_1970(form: str, cell: str, read_table: ReadTable) -> None:
    result = read_table(f"t,V,P\n{cell},1,2\n", time={"format": form})
    assert (times(result), result.rejects) == (["06-01T12:00"], ())


@pytest.mark.parametrize(
    ("form", "cell", "expected"),
    [
        ("epoch_s", "1780315200000", "seconds since 1970 such as 1780315200"),
        ("epoch_s", "2026-06-01", "seconds since 1970 such as 1780315200"),
        ("epoch_s", "-1780315200", "seconds since 1970"),
        ("epoch_ms", "1780315200", "milliseconds since 1970 such as 1780315200000"),
    ],
)
def test_what_is_no_such_count_is_a_reject(form: str, cell: str, expected: str, read_table: ReadTable) -> None:
    result = read_table(f"t,V,P\n1780315200{'000' * (form == 'epoch_ms')},1,2\n{cell},1,2\n", time={"format": form})
    assert [(r.line, r.reason) for r in result.rejects if r.line] == [
        (3, f"not a time; expected {expected}" + (" such as 1780315200" if expected.endswith("1970") else ""))
    ]


@pytest.mark.parametrize(
    ("zone", "winter", "summer"),
    [
        ("+01:00", "01-15T11:00", "07-15T11:00"),
        ("-03:30", "01-15T15:30", "07-15T15:30"),
        ("+05:45", "01-15T06:15", "07-15T06:15"),
    ],
)
def test_an_offset_holds_all_the_year(zone: str, winter: str, summer: str, read_table: ReadTable) -> None:
    result = read_table("t,V,P\n2026-01-15 12:00,1,2\n2026-07-15 12:00,1,2\n", time={"zone": zone})
    assert times(result) == [winter, summer]


def test_an_offset_knows_no_missing_and_no_repeated_hour(read_table: ReadTable) -> None:
    rows = "".join(f"2026-{day} 0{h}:30,1,2\n" for day in ("03-29", "10-25") for h in range(4))
    result = read_table("t,V,P\n" + rows, time={"zone": "+00:00"}, interval_minutes=60)
    assert (len(times(result)), result.rejects, result.notes) == (8, (), ())


@pytest.mark.parametrize(
    ("form", "text", "expected"),
    [
        ("%d/%m/%Y %H:%M", "03/04/2026 01:00", "04-03T01:00"),
        ("%m/%d/%Y %H:%M", "03/04/2026 01:00", "03-04T01:00"),
        ("%m/%d/%Y %I:%M %p", "3/4/2026 1:00 AM", "03-04T01:00"),
        ("%m/%d/%Y %I:%M:%S %p", "03/04/2026 01:00:00 A.M.", "03-04T01:00"),
        ("%d-%m-%y %I.%M%p", "04-03-26 12.00am", "03-04T00:00"),
        ("%Y/%m/%d %H:%M", "2026/03/03 24:00", "03-04T00:00"),
    ],
)
def test_the_format_alone_tells_day_from_month(form: str, text: str, expected: str, read_table: ReadTable) -> None:
    assert times(read_table(f"t,V,P\n{text},1,2\n", time={"format": form})) == [expected]


def test_a_day_that_no_month_has_does_not_turn_the_order_around(read_table: ReadTable) -> None:
    result = read_table("t,V,P\n12/31/2026 12:00,1,2\n", time={"format": "%d/%m/%Y %H:%M"})
    assert (times(result), result.rejects[0].text) == ([], "12/31/2026 12:00")


@pytest.mark.parametrize("zone", ["Europe/London", "UTC", "+01:00", "-11:30"])
def test_zones(zone: str) -> None:
    assert TimeSpec(column="t", zone=zone).zone == zone


@pytest.mark.parametrize("zone", ["+1", "01:00", "+15:00", "+01:60", "UTC+1", "Europe/Nowhere", "../etc"])
def test_what_is_no_zone(zone: str) -> None:
    with pytest.raises(
        ValidationError, match=r"such as Europe/London, UTC, or an offset for all the year such as \+01:00"
    ):
        TimeSpec(column="t", zone=zone)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (
            {"format": "epoch_s", "zone": "Europe/London"},
            "'epoch_s' counts in UTC: expected zone = 'UTC'; found 'Europe/London'",
        ),
        ({"format": "epoch_ms", "clock_column": "c"}, "'epoch_ms' tells the clock time too: expected no clock_column"),
        ({"clock_column": "t"}, "clock_column: expected another column than 't', which holds the date"),
        ({"format": "%H:%M"}, "expected a strptime format with year, month and day"),
    ],
)
def test_times_that_cannot_be(given: dict[str, str], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        TableTime.model_validate({"column": "t", "zone": "UTC"} | given)


def test_a_table_needs_the_minute() -> None:
    with pytest.raises(
        ValidationError, match="time.format = '%d/%m/%Y': expected a strptime format with year, month, day, h"
    ):
        TableSource.model_validate(
            {
                "id": "x", "kind": "table", "files": "x", "interval_minutes": 5,
                "time": {"column": "t", "zone": "UTC", "format": "%d/%m/%Y"},
                "columns": [{"column": "P", "quantity": "ac_power", "of": "inverter:i", "unit": "W"}],
            }
        )  # fmt: skip


AUTUMN = ["00:30", "01:00", "01:00", "01:30", "01:30", "02:00"]  # sorted by label
POWER_AND_REGISTER = [
    {"column": "P", "quantity": "import_power", "of": "meter:grid", "unit": "W"},
    {"column": "E", "quantity": "import_energy", "of": "meter:grid", "unit": "kWh", "reads": "counter"},
]


@pytest.mark.parametrize("newest_first", [False, True])
def test_a_register_tells_the_two_passes_of_the_repeated_hour(newest_first: bool, read_table: ReadTable) -> None:
    registers = [10, 12, 11, 11.5, 12.5, 13]
    rows = [f"2026-10-25 {at},{p},{e}\n" for p, (at, e) in enumerate(zip(AUTUMN, registers, strict=True))]
    text = "t,P,E\n" + "".join(rows[::-1] if newest_first else rows)
    result = read_table(text, time={"zone": "Europe/London"}, interval_minutes=30, columns=POWER_AND_REGISTER)
    (table,) = result.tables
    assert times(result)[1:5] == ["10-25T00:00", "10-25T00:30", "10-25T01:00", "10-25T01:30"]
    assert {c.unit: values.tolist() for c, values in table.columns.items()} == {
        "W": [0, 2, 3, 1, 4, 5],
        "kWh": [10, 11, 11.5, 12, 12.5, 13],
    }
    assert (result.notes, result.conflicts) == ((), 0)


def test_without_a_register_pairs_stay_two_readings_and_are_told(read_table: ReadTable) -> None:
    text = "t,V,P\n" + "".join(f"2026-10-25 {at},1,{i}\n" for i, at in enumerate(AUTUMN))
    result = read_table(text, time={"zone": "Europe/London"}, interval_minutes=30)
    assert len(times(result)) == 6
    assert result.notes[0].startswith("4 rows in the repeated hour of autumn, and nothing tells which pass they are of")
    assert result.conflicts == 0


def test_rows_that_a_file_holds_twice_are_no_second_pass(read_table: ReadTable) -> None:
    text = "t,V,P\n" + "".join(f"2026-10-25 {at},1,2\n" * 2 for at in ("00:00", "00:30", "01:00", "01:30", "02:30"))
    result = read_table(text, time={"zone": "Europe/London"}, interval_minutes=30)
    assert len(times(result)) == 5


def test_two_exports_of_the_night_in_one_file(read_table: ReadTable) -> None:
    night = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    text = "t,V,P\n" + "".join(f"2026-10-25 {at},1,{i}\n" for i, at in enumerate(night)) * 2
    result = read_table(text, time={"zone": "Europe/London"}, interval_minutes=30)
    assert len(times(result)) == 6
    assert (result.conflicts, result.notes) == (0, ("6 rows repeat a time",))
