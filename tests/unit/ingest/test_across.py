"""Tables with a row a day and a column an interval."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pydantic import ValidationError

from ingest.readings import ReadResult
from ingest.sources import TableSource, points_of, subjects_of

ReadTable = Callable[..., ReadResult]
ACROSS = {"quantity": "import_energy", "of": "meter:grid", "unit": "kWh", "reads": "interval"}
HALF_HOURS = [f"{m // 60:02d}:{m % 60:02d}" for m in range(0, 1440, 30)]


def read_days(read_table: ReadTable, text: str, *, zone: str = "Europe/London", **settings: object) -> ReadResult:
    time = {"column": "Day", "zone": zone} | settings.pop("time", {})  # type: ignore[call-overload]
    across = ACROSS | settings.pop("across", {})  # type: ignore[call-overload]
    return read_table(text, time=time, across=across, **{"interval_minutes": 30} | settings)


def readings(result: ReadResult) -> dict[str, float]:
    return {
        datetime.fromtimestamp(int(t), UTC).strftime("%m-%dT%H:%M"): float(v)
        for table in result.tables
        for column in table.columns.values()
        for t, v in zip(table.starts, column, strict=True)
    }


def table(days: list[date], cells: Callable[[date, int], object], header: list[str] = HALF_HOURS) -> str:
    lines = [["Meter", "Day", *header, "Total"]]
    lines += [["007", day.isoformat(), *(str(cells(day, i)) for i in range(len(header))), "9"] for day in days]
    return "\n".join([",".join(line) for line in lines] + [""])


@pytest.mark.parametrize("columns", [24, 48, 96])
def test_every_column_with_a_clock_time_is_a_reading(columns: int, read_table: ReadTable) -> None:
    minutes = 1440 // columns
    header = [f"{m // 60:02d}:{m % 60:02d}" for m in range(0, 1440, minutes)]
    days = [date(2026, 7, 1), date(2026, 7, 2)]
    text = table(days, lambda day, i: day.day * 100 + i, header)
    result = read_days(read_table, text, zone="UTC", interval_minutes=minutes)
    (one,) = result.tables
    assert one.starts.tolist() == [
        int(datetime(2026, 7, 1, tzinfo=UTC).timestamp()) + 60 * minutes * i for i in range(2 * columns)
    ]
    (channel,) = one.columns
    assert (channel.subject, channel.quantity, channel.reads, channel.unit) == (
        "meter:grid", "import_energy", "interval", "kWh",
    )  # fmt: skip
    assert one.columns[channel].tolist() == [day * 100 + i for day in (1, 2) for i in range(columns)]
    assert (result.rejects, result.rows, result.notes) == ((), 2, ())


def test_the_order_of_days_and_columns_does_not_matter(read_table: ReadTable) -> None:
    days = [date(2026, 7, 2), date(2026, 7, 1)]
    turned = HALF_HOURS[24:] + HALF_HOURS[:24]
    straight = read_days(read_table, table(days[::-1], lambda d, i: f"{d.day}.{i:02d}"))
    other = read_days(read_table, table(days, lambda d, i: f"{d.day}.{(i + 24) % 48:02d}", turned))
    assert readings(other) == readings(straight)


@pytest.mark.parametrize(
    ("header", "form", "marks", "first"),
    [
        (["00:30", "01:00", "00:00"], "%H:%M", "end", "06-30T23:00"),
        (["00:30", "01:00", "24:00"], "%H:%M", "end", "06-30T23:00"),
        (["00:00", "00:30", "23:30"], "%H:%M", "start", "06-30T23:00"),
        (["12:00 AM", "12:30 a.m.", "11:30 PM"], "%I:%M %p", "start", "06-30T23:00"),
        (["00:00 kWh", "00:30 kWh", "23:30 kWh"], "%H:%M kWh", "start", "06-30T23:00"),
        (["0000", "0030", "2330"], "%H%M", "instant", "06-30T22:30"),
    ],
)
def test_headers_and_marks(header: list[str], form: str, marks: str, first: str, read_table: ReadTable) -> None:
    text = table([date(2026, 7, 1)], lambda _, i: i, header)
    result = read_days(read_table, text, time={"marks": marks}, across={"header": form})
    start = datetime.strptime(f"2026-{first}", "%Y-%m-%dT%H:%M")
    expected = [start, start + timedelta(minutes=30), start + timedelta(hours=23, minutes=30)]
    assert list(readings(result)) == [t.strftime("%m-%dT%H:%M") for t in expected]


def test_gaps_and_odd_cells(read_table: ReadTable) -> None:
    text = table([date(2026, 1, 1)], lambda _, i: {0: "", 1: "-", 2: "x", 3: 0}.get(i, 1))
    result = read_days(read_table, text)
    assert [(r.line, r.field, r.text) for r in result.rejects] == [(2, "01:00", "x")]
    assert list(readings(result))[:2] == ["01-01T01:30", "01-01T02:00"]


@pytest.mark.parametrize("text", ["2026-02-30", "Total", "", "2026-01-01T00:00"])
def test_what_is_no_day_is_one_reject(text: str, read_table: ReadTable) -> None:
    good = table([date(2026, 1, 1), date(2026, 1, 2)], lambda *_: 1)
    result = read_days(read_table, good.replace("2026-01-01", text))
    assert [(r.line, r.field, r.text) for r in result.rejects] == [(2, "Day", text)]
    assert "expected the form %Y-%m-%d" in result.rejects[0].reason
    assert len(readings(result)) == 48


@pytest.mark.parametrize("marks", ["start", "end"])
@pytest.mark.parametrize("spare", ["", "0"])
def test_the_hour_that_spring_skips(marks: str, spare: str, read_table: ReadTable) -> None:
    """The intervals from 01:00 to 02:00 are not there; their columns are empty or 0."""
    header = HALF_HOURS if marks == "start" else [*HALF_HOURS[1:], "24:00"]
    text = table([date(2026, 3, 29)], lambda _, i: spare if i in (2, 3) else i, header)
    result = read_days(read_table, text, time={"marks": marks})
    assert result.rejects == ()
    expected = [i for i in range(48) if i not in (2, 3)]
    assert list(readings(result).values()) == expected
    assert list(readings(result)) == [
        (datetime(2026, 3, 29, tzinfo=UTC) + timedelta(minutes=30 * i)).strftime("%m-%dT%H:%M") for i in range(46)
    ]


def test_a_value_in_the_skipped_hour_is_a_reject(read_table: ReadTable) -> None:
    result = read_days(read_table, table([date(2026, 3, 29)], lambda _, i: i))
    assert [(r.line, r.field, r.text) for r in result.rejects] == [(2, "01:00", "2"), (2, "01:30", "3")]
    assert "does not exist on this day in Europe/London" in result.rejects[0].reason
    assert "expected 0 or nothing" in result.rejects[0].reason


def test_one_column_for_the_repeated_hour_is_unsure(read_table: ReadTable) -> None:
    result = read_days(read_table, table([date(2026, 10, 25)], lambda _, i: i))
    assert result.notes[0].startswith("2 rows in the repeated hour of autumn, and nothing tells which pass they are of")
    assert readings(result)["10-25T00:00"] == 2
    assert "10-25T01:00" not in readings(result)
    assert len(readings(result)) == 48


def test_two_columns_for_the_repeated_hour_are_its_passes(read_table: ReadTable) -> None:
    header = [*HALF_HOURS[:4], "01:00", "01:30", *HALF_HOURS[4:]]
    days = [date(2026, 10, 24), date(2026, 10, 25), date(2026, 10, 26)]
    text = table(days, lambda day, i: "" if day.day != 25 and i in (4, 5) else i, header)
    result = read_days(read_table, text)
    (one,) = result.tables
    assert (result.notes, result.conflicts) == ((), 0)
    zone = ZoneInfo("Europe/London")
    start = int(datetime(2026, 10, 24, tzinfo=zone).timestamp())
    np.testing.assert_array_equal(one.starts, start + 1800 * np.arange(48 + 50 + 48))


def test_a_header_without_a_clock_time_is_one_reject(read_table: ReadTable) -> None:
    result = read_days(read_table, "Day,hh01,hh02\n2026-01-01,1,2\n")
    (reject,) = result.rejects
    assert reject.reason == "no column reads as a clock time of the form %H:%M; the file has Day, hh01, hh02"
    assert result.tables == ()


def test_the_header_with_the_most_clock_times_is_taken(read_table: ReadTable) -> None:
    text = "Day,of export\nDay,Unit\n" + table([date(2026, 1, 1)], lambda *_: 1)
    assert len(readings(read_days(read_table, text))) == 48


def test_decimal_commas_and_other_dates(read_table: ReadTable) -> None:
    text = "Day;00:00;00:30\n02.01.2026;0,5;1,5\n"
    result = read_days(read_table, text, time={"format": "%d.%m.%Y"})
    assert readings(result) == {"01-02T00:00": 0.5, "01-02T00:30": 1.5}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"time": {"column": "d", "zone": "UTC", "format": "%d/%m/%Y %H:%M"}}, "expected a date alone beside across"),
        ({"time": {"column": "d", "zone": "UTC", "format": "epoch_s"}}, "expected a date alone beside across"),
        ({"time": {"column": "d", "clock_column": "c", "zone": "UTC"}}, "across has the clock times in its header"),
        ({"across": ACROSS | {"header": "%d %H:%M"}}, "expected a strptime format with hour and minute and no date"),
        ({"across": ACROSS | {"header": "HH:MM"}}, "expected a strptime format with hour and minute and no date"),
        ({"across": ACROSS | {"reads": "mean"}}, "import_energy needs reads = 'interval' or 'counter'"),
        ({"long": {"subject": "m", "value": "w", "quantity": "dc_power", "unit": "W"}}, "columns or long or across"),
    ],
)  # fmt: skip
def test_shapes_that_cannot_be(changes: dict[str, object], message: str) -> None:
    given = {"id": "x", "kind": "table", "files": "x", "interval_minutes": 30, "time": {"column": "d", "zone": "UTC"}}
    with pytest.raises(ValidationError, match=message):
        TableSource.model_validate(given | {"across": ACROSS} | changes)


def test_what_such_a_table_measures() -> None:
    given = {"id": "x", "kind": "table", "files": "x", "interval_minutes": 30, "time": {"column": "d", "zone": "UTC"}}
    source = TableSource.model_validate(given | {"across": ACROSS})
    assert [(point.of, point.quantity) for point in points_of(source)] == [("meter:grid", "import_energy")]
    assert subjects_of(source) == ("meter:grid",)
