"""Tables: what is taken, what is set aside, and what is said about it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pytest

from ingest.readings import ReadResult

ReadTable = Callable[..., ReadResult]

GOOD = "t,V,P\n2026-06-01T12:00:00Z,310.5,1800\n2026-06-01T12:05:00Z,311.0,1810.25\n"


def values(result: ReadResult) -> dict[str, list[tuple[str, float]]]:
    """Known readings per quantity, times as text."""
    return {
        channel.quantity: [
            (datetime.fromtimestamp(int(t), UTC).strftime("%m-%dT%H:%M"), float(v))
            for t, v in zip(table.starts, column, strict=True)
            if not np.isnan(v)
        ]
        for table in result.tables
        for channel, column in table.columns.items()
    }


def rejects(result: ReadResult) -> list[tuple[int | None, str, str]]:
    return [(r.line, r.field, r.text) for r in result.rejects]


EXPECTED = {
    "dc_voltage": [("06-01T12:00", 310.5), ("06-01T12:05", 311.0)],
    "ac_power": [("06-01T12:00", 1800.0), ("06-01T12:05", 1810.25)],
}


def test_values_are_kept_as_recorded(read_table: ReadTable) -> None:
    result = read_table(GOOD)
    assert values(result) == EXPECTED
    assert (result.rejects, result.notes, result.rows) == ((), (), 2)
    assert {(c.subject, c.unit, c.reads) for c in result.tables[0].columns} == {
        ("string:s1", "V", "mean"),
        ("inverter:inv1", "W", "mean"),
    }


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_delimiters(delimiter: str, read_table: ReadTable) -> None:
    assert values(read_table(GOOD.replace(",", delimiter))) == EXPECTED


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + GOOD.encode(),
        GOOD.encode("utf-16"),
        GOOD.replace("\n", "\r\n").encode(),
        GOOD.replace("\n", "\r").encode(),
        GOOD.replace("t,V,P", "t,V,P,°C").replace("00\n", "00,1\n").replace("25\n", "25,2\n").encode("cp1252"),
    ],
    ids=["byte order mark", "utf-16", "crlf", "cr", "windows-1252"],
)
def test_encodings_and_line_ends(data: bytes, read_table: ReadTable) -> None:
    assert values(read_table(data)) == EXPECTED


@pytest.mark.parametrize("marker", ["", "-", "--", "n/a", "NaN", "null", " "])
def test_missing_markers_are_gaps_and_not_rejects(marker: str, read_table: ReadTable) -> None:
    result = read_table(GOOD.replace("311.0", marker))
    assert values(result)["dc_voltage"] == EXPECTED["dc_voltage"][:1]
    assert values(result)["ac_power"] == EXPECTED["ac_power"]
    assert result.rejects == ()


@pytest.mark.parametrize("cell", ["31O.5", "0x1F", "inf", "1 000", "1e999", "--5"])
def test_an_unreadable_cell_is_named_and_the_row_goes_on(cell: str, read_table: ReadTable) -> None:
    result = read_table(GOOD.replace("311.0", cell))
    assert rejects(result) == [(3, "V", cell)]
    assert "not a number" in result.rejects[0].reason
    assert values(result)["ac_power"] == EXPECTED["ac_power"]


def test_what_stands_around_the_rows_is_noted_and_no_reject(read_table: ReadTable) -> None:
    head, first, second = GOOD.splitlines()
    text = "\n".join(
        ["A title", "made by,somebody", "", head, first, "", head, "# a remark", second, "Total,,3610", ""]
    )
    result = read_table(text)
    assert values(result) == EXPECTED
    assert result.rejects == ()
    assert result.notes == ("1 repeated header lines left out", "2 lines that are no readings left out")


def test_a_row_with_a_word_for_a_time_among_the_rows_is_a_reject_and_a_sum_at_the_end_is_not(
    read_table: ReadTable,
) -> None:
    head, first, second = GOOD.splitlines()
    result = read_table("\n".join([head, first, "lost,309.0,1750", second, "Total,,3610", ""]))
    assert rejects(result) == [(3, "t", "lost")]
    assert "not a time; expected ISO 8601" in result.rejects[0].reason
    assert (values(result), result.rows) == (EXPECTED, 3)
    assert result.notes == ("1 lines that are no readings left out",)


def test_a_file_of_rows_with_words_for_times_is_not_passed_over(read_table: ReadTable) -> None:
    result = read_table("t,V,P\nnever,309.0,1750\nnever,310.0,1760\n")
    assert rejects(result) == [(2, "t", "never"), (3, "t", "never")]


def test_lines_are_numbered_as_an_editor_shows_them(read_table: ReadTable) -> None:
    assert rejects(read_table("title\n\n" + GOOD.replace("1800", "x"))) == [(4, "P", "x")]


@pytest.mark.parametrize(("row", "count"), [("2026-06-01T12:10:00Z,1", 2), ("2026-06-01T12:10:00Z,1,2,3,4", 5)])
def test_a_row_with_another_number_of_cells_is_set_aside(row: str, count: int, read_table: ReadTable) -> None:
    result = read_table(GOOD + row + "\n")
    assert values(result) == EXPECTED
    assert rejects(result) == [(4, "", row)]
    assert f"{count} cells, expected 3 as in the header (line 1)" in result.rejects[0].reason
    assert result.rows == 3


def test_a_quote_that_stays_open_takes_one_line_only(read_table: ReadTable) -> None:
    result = read_table(GOOD.replace("310.5", '"310.5'))
    assert [r.reason for r in result.rejects] == ["a quote is opened and not closed on this line"]
    assert values(result)["dc_voltage"] == EXPECTED["dc_voltage"][1:]


def test_an_unended_last_line_is_not_taken(read_table: ReadTable) -> None:
    result = read_table(GOOD + "2026-06-01T12:10:00Z,311.5,18")
    assert values(result) == EXPECTED
    assert rejects(result) == [(4, "", "2026-06-01T12:10:00Z,311.5,18")]
    assert "the last line is partial" in result.rejects[0].reason


def test_an_absent_column_is_named_once_with_what_is_there(read_table: ReadTable) -> None:
    result = read_table(GOOD.replace("t,V,P", "t,Volt,P"), columns=[
        {"column": "Volts", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"},
        {"column": "P", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
    ])  # fmt: skip
    assert [r.reason for r in result.rejects] == [
        "there is no column 'Volts'; the file has t, Volt, P; did you mean 'Volt'?"
    ]
    assert values(result) == {"ac_power": EXPECTED["ac_power"]}


def test_a_column_that_stands_twice_is_not_guessed(read_table: ReadTable) -> None:
    result = read_table("t,V,P,P\n2026-06-01T12:00:00Z,310.5,1,2\n")
    assert [r.reason for r in result.rejects] == ["the column 'P' stands 2 times here"]
    assert set(values(result)) == {"dc_voltage"}


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "the file is empty"),
        ("a,b\n1,2\n", "no complete header line in the first 50 lines; expected the columns t, V, P"),
        ("\n" * 50 + GOOD, "no complete header line in the first 50 lines"),
        ("tt,V,P\n1,2,3\n", "the time column 't' is not in the header (line 1), which holds tt, V, P"),
        ("t,V", "no complete header line"),
        (GOOD + "2026\0", "line 4 holds a zero byte"),
        (GOOD + "9" * 70_000 + "\n", "line 4 is longer than 65536 bytes"),
        ("PK\x03\x04", "a packed file (zip or gzip)"),
    ],
)
def test_a_file_that_is_no_such_table_is_one_reject(text: str, reason: str, read_table: ReadTable) -> None:
    result = read_table(text)
    assert (result.tables, rejects(result)) == ((), [(None, "", "")])
    assert reason in result.rejects[0].reason


def test_a_file_that_is_wrong_throughout_does_not_flood_the_list(read_table: ReadTable) -> None:
    text = "t,V,P\n" + "".join(f"2026-06-01T12:{m % 60:02d}:00Z,x,1\n" for m in range(1000))
    result = read_table(text)
    assert len(result.rejects) == 201
    assert result.rejects[-1].reason == "and 800 more rows or cells set aside"


def test_rejects_show_no_control_characters_and_little_of_a_long_text(read_table: ReadTable) -> None:
    (reject,) = read_table(GOOD.replace("310.5", "\x1b[31m" + "z" * 500)).rejects
    assert len(reject.text) == 80
    assert reject.text.isprintable()


def test_equal_rows_are_one_and_of_different_ones_the_later_wins(read_table: ReadTable) -> None:
    again = GOOD.splitlines()[1] + "\n"
    same = read_table(GOOD + again)
    assert (values(same), same.notes) == (EXPECTED, ("1 rows repeat a time",))
    other = read_table(GOOD + again.replace("1800", "1900"))
    assert values(other)["ac_power"][0] == ("06-01T12:00", 1900.0)
    assert other.notes == ("1 rows repeat a time; 1 cells differ, the later row was taken",)


def test_a_later_gap_does_not_take_a_reading_away(read_table: ReadTable) -> None:
    assert values(read_table(GOOD + "2026-06-01T12:00:00Z,,1800\n")) == EXPECTED


def test_rows_may_come_newest_first(read_table: ReadTable) -> None:
    head, first, second = GOOD.splitlines()
    assert values(read_table("\n".join([head, second, first, ""]))) == EXPECTED


@pytest.mark.parametrize(
    ("text", "form", "expected"),
    [
        ("01/06/2026 12:00", "%d/%m/%Y %H:%M", "06-01T12:00"),
        ("6/1/26 1:05", "%m/%d/%y %H:%M", "06-01T01:05"),
        ("01.06.2026 12:00:30", "%d.%m.%Y %H:%M:%S", "06-01T12:00"),
        ("01/06/2026 12:10 AM", "%d/%m/%Y %I:%M %p", "06-01T00:10"),
        ("01/06/2026 12:10 pm", "%d/%m/%Y %I:%M %p", "06-01T12:10"),
        ("01/06/2026 1:10 p.m.", "%d/%m/%Y %I:%M %p", "06-01T13:10"),
        ("1 Jun 2026 12:00", "%d %b %Y %H:%M", "06-01T12:00"),
        ("31.05.2026 24:00", "%d.%m.%Y %H:%M", "06-01T00:00"),
    ],
)
def test_time_formats(text: str, form: str, expected: str, read_table: ReadTable) -> None:
    result = read_table(f"t,V,P\n{text},1,2\n", time={"format": form})
    assert values(result)["ac_power"] == [(expected, 2.0)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-06-01T12:00:00Z", "06-01T12:00"),
        ("2026-06-01T12:00:00+02:00", "06-01T10:00"),
        ("2026-06-01 12:00", "06-01T11:00"),
        ("2026-06-01T12:00:00.000", "06-01T11:00"),
        ("20260601T120000Z", "06-01T12:00"),
    ],
)
def test_iso_times_say_their_own_offset_or_are_local(text: str, expected: str, read_table: ReadTable) -> None:
    result = read_table(f"t,V,P\n{text},1,2\n", time={"zone": "Europe/London"})
    assert values(result)["ac_power"] == [(expected, 2.0)]


@pytest.mark.parametrize(
    "text", [f"{when}:00Z" for when in ("2026-06-31T12:00", "2026-06-01T25:00", "0026-06-01T12:00")]
)
def test_what_is_no_time_is_a_reject(text: str, read_table: ReadTable) -> None:
    result = read_table(GOOD + f"{text},1,2\n")
    assert rejects(result) == [(4, "t", text)]
    assert result.rejects[0].reason == "not a time; expected ISO 8601 such as 2026-03-01T12:00:00Z"
    assert values(result) == EXPECTED


def test_a_time_that_the_clocks_skipped_is_a_reject(read_table: ReadTable) -> None:
    result = read_table("t,V,P\n2026-03-29 00:55,1,2\n2026-03-29 01:00,1,2\n2026-03-29 02:00,1,2\n",
                        time={"zone": "Europe/London"})  # fmt: skip
    assert rejects(result) == [(3, "t", "2026-03-29 01:00")]
    assert "does not exist in Europe/London: the clocks went forward over it" in result.rejects[0].reason
    assert [t for t, _ in values(result)["ac_power"]] == ["03-29T00:55", "03-29T01:00"]


@pytest.mark.parametrize(("marks", "mean", "counter"), [
    ("start", "06-01T12:00", "06-01T12:00"),
    ("end", "06-01T11:30", "06-01T11:30"),
    ("instant", "06-01T11:45", "06-01T11:30"),
])  # fmt: skip
def test_marks_become_interval_starts(marks: str, mean: str, counter: str, read_table: ReadTable) -> None:
    result = read_table("t,P,E\n2026-06-01T12:00:00Z,1,2\n", time={"marks": marks}, interval_minutes=30, columns=[
        {"column": "P", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
        {"column": "E", "quantity": "ac_energy", "of": "inverter:inv1", "unit": "kWh", "reads": "counter"},
    ])  # fmt: skip
    assert values(result) == {"ac_power": [(mean, 1.0)], "ac_energy": [(counter, 2.0)]}


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (("1,5", "2,25"), [1.5, 2.25]),
        (("1,500", "2,25"), [1.5, 2.25]),  # the second cell tells what the comma of the first is
        (("0,125", "7"), [0.125, 7.0]),
        (("1.5", "2.25"), [1.5, 2.25]),
        (('"1,5"', '"-2,25"'), [1.5, -2.25]),
    ],
)
def test_the_decimal_mark_is_told_by_the_numbers(
    cells: tuple[str, str], expected: list[float], read_table: ReadTable
) -> None:
    rows = [f"2026-06-01T12:0{5 * i}:00Z;0;{cell}\n" for i, cell in enumerate(cells)]
    result = read_table("t;V;P\n" + "".join(rows))
    assert [v for _, v in values(result)["ac_power"]] == expected


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        (("1,500", "2,250"), "may be a decimal comma or thousands"),
        (("1,500.5", "2.5"), "holds a comma and a point"),
        (("1,500", "2.5"), "has a comma in a file with decimal points"),
        (("2,5", "3,5", "1.5"), "has a decimal point in a file with decimal commas"),
    ],
)
def test_thousands_are_never_guessed(cells: tuple[str, ...], reason: str, read_table: ReadTable) -> None:
    rows = [f"2026-06-01T12:0{i}:00Z;0;{cell}\n" for i, cell in enumerate(cells)]
    result = read_table("t;V;P\n" + "".join(rows))
    assert result.rejects
    assert all(reason in r.reason for r in result.rejects)


LONG = {
    "subject": "module", "value": "w", "quantity": "dc_power", "unit": "W", "pattern": "{string}-{module}",
}  # fmt: skip


def test_a_long_table_gives_each_module_its_readings(read_table: ReadTable) -> None:
    text = "t,module,w\n2026-06-01T12:00:00Z,s1-1,10\n2026-06-01T12:00:00Z,s1-02,20\n2026-06-01T12:05:00Z,s1-01,11\n"
    (table,) = read_table(text, long=LONG).tables
    columns = {channel.subject: column.tolist() for channel, column in table.columns.items()}
    assert columns["module:s1/01"] == [10.0, 11.0]
    assert columns["module:s1/02"] == pytest.approx([20.0, float("nan")], nan_ok=True)


def test_a_long_table_sets_aside_what_is_no_module(read_table: ReadTable) -> None:
    text = "t,module,w\n2026-06-01T12:00:00Z,s1-01,10\n2026-06-01T12:00:00Z,roof,20\n2026-06-01T12:00:00Z,s1-00,3\n"
    result = read_table(text, long=LONG)
    assert rejects(result) == [(3, "module", "roof"), (4, "module", "s1-00")]
    assert result.rejects[0].reason == "no module; expected the form {string}-{module}"
