"""How a table's text is written: found out by a fixed ladder, or declared and then taken at its word."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np
import pytest
from pydantic import ValidationError

from ingest.readings import Dialect, ReadResult
from ingest.sources import TextSpec

ReadTable = Callable[..., ReadResult]
ROWS = "t;V;P\n2026-06-01T12:00:00Z;{};{}\n2026-06-01T12:05:00Z;{};{}\n"


def values(result: ReadResult, quantity: str) -> list[float]:
    return [
        float(v)
        for table in result.tables
        for channel, column in table.columns.items()
        for v in column
        if channel.quantity == quantity
    ]


def reasons(result: ReadResult) -> list[tuple[int | None, str, str]]:
    return [(r.line, r.text, r.reason) for r in result.rejects]


TEXT = "Gerät 7\nt,V,P,Wärme °C\n2026-06-01T12:00:00Z,310.5,1800,20\n2026-06-01T12:05:00Z,311,1810.25,21\n"


@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("cp1252", "cp1252"),
        ("latin-1", "cp1252"),
    ],
)
def test_the_encoding_is_found_and_told(encoding: str, found: str, read_table: ReadTable) -> None:
    result = read_table(TEXT.encode(encoding))
    assert (values(result, "ac_power"), result.rejects) == ([1800.0, 1810.25], ())
    assert result.dialect == Dialect(found, ",", ".", 2, ("t", "V", "P", "Wärme °C"))


def test_utf_16_of_the_other_byte_order_has_its_mark_first(read_table: ReadTable) -> None:
    result = read_table(b"\xfe\xff" + TEXT.encode("utf-16-be"))
    assert values(result, "ac_power") == [1800.0, 1810.25]
    assert result.dialect is not None
    assert result.dialect.encoding == "utf-16"


def test_zero_bytes_alone_make_no_utf_16(read_table: ReadTable) -> None:
    result = read_table(TEXT.replace("Ger", "\0\0\0"))
    assert "line 1 holds a zero byte" in result.rejects[0].reason


@pytest.mark.parametrize(
    ("cells", "mark"),
    [
        (("1.5", "2", "3", "4"), "."),
        (("1,5", "2", "3", "4"), ","),
        (("1", "2", "3", "4"), "."),
        (("1,500", "2", "3", "4"), "?"),
        (("1,5", "x", "3", "4"), ","),
        (("1.5", "x", "3", "4"), "."),
    ],
)
def test_the_decimal_mark_is_told_by_both_looks(cells: tuple[str, ...], mark: str, read_table: ReadTable) -> None:
    dialect = read_table(ROWS.format(*cells)).dialect
    assert dialect == Dialect("utf-8", ";", mark, 1, ("t", "V", "P"))


def test_a_file_without_a_header_has_no_dialect(read_table: ReadTable) -> None:
    assert read_table("a,b\n1,2\n").dialect is None


@pytest.mark.parametrize("spare", ["", "x"])  # a quick look and a careful one
def test_a_declared_decimal_mark_ends_the_doubt(spare: str, read_table: ReadTable) -> None:
    text = ROWS.format("1,500", "2,250", "3,125", spare)
    assert "may be a decimal comma or thousands" in read_table(text).rejects[0].reason
    result = read_table(text, text={"decimal": ","})
    assert values(result, "dc_voltage") == [1.5, 3.125]
    assert [r.text for r in result.rejects] == [spare] * bool(spare)
    result = read_table(text, text={"decimal": "."})
    assert [r.text for r in result.rejects] == ["1,500", "2,250", "3,125"] + [spare] * bool(spare)
    assert result.rejects[0].reason.startswith("has a comma in a file with decimal points")


@pytest.mark.parametrize(
    ("cell", "marks", "value"),
    [
        ("1.234,5", (",", "."), 1234.5),
        ("-1.234.567", (",", "."), -1234567.0),
        ("1234,5", (",", "."), 1234.5),
        ("12.345", (",", "."), 12345.0),
        ("1,234.5", (".", ","), 1234.5),
        ("1 234,5", (",", " "), 1234.5),
        ("1\u202f234\u00a0567,5", (",", " "), 1234567.5),
        ("1'234.5", (".", "'"), 1234.5),
        ("1\u2019234.5", (".", "'"), 1234.5),
    ],
)
def test_declared_thousands_in_groups_of_three_are_read(
    cell: str, marks: tuple[str, str], value: float, read_table: ReadTable
) -> None:
    text = ROWS.format(cell, 1, "", 2)
    result = read_table(text, text={"decimal": marks[0], "thousands": marks[1]})
    assert result.rejects == ()
    assert values(result, "dc_voltage")[0] == value


@pytest.mark.parametrize(
    "cell", ["12.34", "1.2345", "1234.567", "0.123", ".123", "1..234", "1.234.56", "1.234.", "1,234.5"]
)
def test_anything_else_with_a_thousands_mark_is_a_reject(cell: str, read_table: ReadTable) -> None:
    result = read_table(ROWS.format(cell, 1, 5, 2), text={"decimal": ",", "thousands": "."})
    assert reasons(result) == [(2, cell, "not a number in groups of three digits divided by '.'")]
    assert np.isnan(values(result, "dc_voltage")[0])


@pytest.mark.parametrize("cell", ["1.234,5", "1 234", "1'234"])
def test_a_thousands_mark_that_is_not_declared_is_never_removed(cell: str, read_table: ReadTable) -> None:
    result = read_table(ROWS.format(cell, "1,5", "2,5", 2), text={"decimal": ","})
    assert [r.text for r in result.rejects] == [cell]


@pytest.mark.parametrize("other", ["3", "x"])  # a quick look and a careful one
def test_declared_gaps_are_gaps(other: str, read_table: ReadTable) -> None:
    text = ROWS.format("65535", "ERR", " 65535 ", other)
    result = read_table(text, text={"missing": ["65535", "ERR"]})
    assert np.isnan(values(result, "dc_voltage")).all()
    assert [r.text for r in result.rejects] == ["x"] * (other == "x")
    assert values(read_table(text), "dc_voltage") == [65535.0, 65535.0]


def test_a_declared_delimiter_alone_is_tried(read_table: ReadTable) -> None:
    text = "t V P\n2026-06-01T12:00:00Z 1 2\n"
    assert values(read_table(text, text={"delimiter": " "}), "ac_power") == [2.0]
    (reject,) = read_table(ROWS.format(1, 2, 3, 4), text={"delimiter": "\t"}).rejects
    assert "expected the columns t, V, P divided by '\\t' as text.delimiter declares" in reject.reason


@pytest.mark.parametrize(
    ("data", "encoding", "reason"),
    [
        (
            TEXT.encode("cp1252"),
            "utf-8",
            r"is no utf-8 text, which text.encoding declares; the first fault is byte 0xE4",
        ),
        ((TEXT + "\x81").encode("latin-1"), "cp1252", "is no cp1252 text, which text.encoding declares"),
        (TEXT.encode("utf-16-le")[:-2] + b"\x00\xdc\x41\x00", "utf-16-le", "is no utf-16-le text"),
    ],
)
def test_what_is_not_in_the_declared_encoding_is_one_reject(
    data: bytes, encoding: str, reason: str, read_table: ReadTable
) -> None:
    result = read_table(data, text={"encoding": encoding})
    (reject,) = result.rejects
    assert (result.tables, reject.line, result.dialect) == ((), None, None)
    assert reason in reject.reason


def test_a_declared_encoding_is_not_guessed(read_table: ReadTable) -> None:
    data = TEXT.replace("Wärme °C", "Schnee €").encode("iso-8859-15")
    result = read_table(data, text={"encoding": "ISO-8859-15"})
    assert result.dialect is not None
    assert (result.dialect.encoding, result.dialect.columns[-1], result.notes) == ("iso8859-15", "Schnee €", ())
    with_mark = read_table(TEXT.encode("utf-8-sig").replace(b"Ger\xc3\xa4t 7\n", b""), text={"encoding": "utf-8"})
    assert values(with_mark, "ac_power") == [1800.0, 1810.25]


def test_a_character_cut_in_two_by_the_end_is_the_partial_line_s(read_table: ReadTable) -> None:
    data = (TEXT + "Wä").encode()[:-1]
    for text in ({}, {"encoding": "utf-8"}):
        assert values(read_table(data, text=text), "ac_power") == [1800.0, 1810.25]


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"encoding": "klingon"}, "expected an encoding such as utf-8, utf-16, cp1252 or iso-8859-15"),
        ({"encoding": "hex"}, "expected an encoding such as utf-8"),
        ({"delimiter": "::"}, "at most 1 character"),
        ({"delimiter": "."}, "expected one character that stands in no number and no time"),
        ({"delimiter": "\n"}, "expected one character that stands in no number and no time"),
        ({"decimal": ";"}, "Input should be '.' or ','"),
        ({"thousands": "."}, "thousands needs decimal"),
        ({"thousands": ",", "decimal": ","}, "thousands and decimal are both ','"),
    ],
)
def test_declarations_that_cannot_be(given: dict[str, str], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        TextSpec.model_validate(given)


def test_conflicting_rows_are_counted(read_table: ReadTable) -> None:
    text = ROWS.format(1, 2, 3, 4) + "2026-06-01T12:00:00Z;1;7\n"
    assert (read_table(text).conflicts, values(read_table(text), "ac_power")) == (1, [7.0, 4.0])
    assert read_table(text + "2026-06-01T12:05:00Z;8;x\n").conflicts == 2
    assert read_table(ROWS.format(1, 2, 3, 4) + "2026-06-01T12:00:00Z;1;2\n").conflicts == 0


def stepped(*minutes: int) -> str:
    """A table with these minutes between the rows, from noon on."""
    times = int(datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()) + 60 * np.cumsum([0, *minutes])
    stamps = (datetime.fromtimestamp(int(t), UTC).isoformat() for t in times)
    return "t,V,P\n" + "".join(f"{stamp},1,2\n" for stamp in stamps)


@pytest.mark.parametrize(
    ("minutes", "note"),
    [
        (
            [5] * 10 + [15] * 10,
            "from 2026-06-01T12:50Z on the rows are 15 minutes apart; interval_minutes declares 5 minutes",
        ),
        (
            [5] * 10 + [1] * 10,
            "from 2026-06-01T12:50Z on the rows are 1 minutes apart; interval_minutes declares 5 minutes",
        ),
        ([15] * 10, "from 2026-06-01T12:00Z on the rows are 15 minutes apart; interval_minutes declares 5 minutes"),
    ],
)
def test_another_step_is_noted_and_nothing_lost(minutes: list[int], note: str, read_table: ReadTable) -> None:
    result = read_table(stepped(*minutes))
    assert result.notes == (note,)
    assert len(values(result, "ac_power")) == len(minutes) + 1


@pytest.mark.parametrize("minutes", [[5] * 30, [5] * 10 + [600] + [5] * 10, [5, 10, 5, 15, 5, 10, 5, 5, 30, 25]])
def test_gaps_are_no_other_step(minutes: list[int], read_table: ReadTable) -> None:
    assert read_table(stepped(*minutes)).notes == ()
