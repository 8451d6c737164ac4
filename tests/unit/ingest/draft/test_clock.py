"""The time column of an unknown file: decided by evidence alone."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.draft.clock import find_clock
from ingest.draft.sheet import look_at
from ingest.errors import InputError

LATEST = int(datetime(2027, 1, 1, tzinfo=UTC).timestamp())


def forms(*stamps: str, header: str = "Time", name: str = "export.csv", latest: int = LATEST) -> tuple[str | None, ...]:
    rows = "".join(f"{stamp};{n}\n" for n, stamp in enumerate(stamps))
    clock = find_clock(look_at(f"{header};AC power W\n{rows}".encode(), name=name), latest=latest)
    assert clock is not None
    return tuple(form.format for form in clock.forms)


def test_iso_is_no_format() -> None:
    assert forms("2026-05-01 00:00:00", "2026-05-01 00:15:00") == (None,)
    assert forms("2026-05-01T00:00:00Z", "2026-05-01T00:15:00Z") == (None,)


def test_a_day_above_twelve_tells_the_order() -> None:
    assert forms("12/05/2026 23:45", "13/05/2026 00:00") == ("%d/%m/%Y %H:%M",)
    assert forms("05/12/2026 23:45", "05/13/2026 00:00") == ("%m/%d/%Y %H:%M",)


def test_where_nothing_tells_both_orders_are_given() -> None:
    assert forms("01/02/2026 10:00", "01/02/2026 10:15") == ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M")


def test_days_that_follow_one_another_tell_the_order() -> None:
    assert forms("01/02/2026 23:45", "02/02/2026 00:00") == ("%d/%m/%Y %H:%M",)
    assert forms("02/01/2026 23:45", "02/02/2026 00:00") == ("%m/%d/%Y %H:%M",)


def test_the_files_name_tells_the_order() -> None:
    assert forms("01.02.2026 10:00", "01.02.2026 10:15", name="inv1_2026-02-01.csv") == ("%d.%m.%Y %H:%M",)
    assert forms("01.02.2026 10:00", "01.02.2026 10:15", name="inv1_20260102.csv") == ("%m.%d.%Y %H:%M",)
    assert len(forms("01.02.2026 10:00", "01.02.2026 10:15", name="inv1_2026-03-05.csv")) == 2


def test_no_time_lies_in_the_future() -> None:
    latest = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp())
    assert forms("01/12/2026 10:00", "01/12/2026 10:15", latest=latest) == ("%m/%d/%Y %H:%M",)


@pytest.mark.parametrize(
    ("stamp", "form"),
    [
        ("23/05/2026 01:15 PM", "%d/%m/%Y %I:%M %p"),
        ("5/23/2026 1:15:00 pm", "%m/%d/%Y %I:%M:%S %p"),
        ("2026/05/23 13:15", "%Y/%m/%d %H:%M"),
        ("23-May-2026 13:15", "%d-%b-%Y %H:%M"),
        ("20260523 1315", "%Y%m%d %H%M"),
        ("202605231315", "%Y%m%d%H%M"),
        ("23.05.2026 13:15:00 +02:00", "%d.%m.%Y %H:%M:%S %z"),
    ],
)
def test_ways_to_write_a_time(stamp: str, form: str) -> None:
    assert forms(stamp, stamp) == (form,)


def test_seconds_since_1970_need_a_name_that_says_time() -> None:
    assert forms("1780315200", "1780316100", header="Timestamp") == ("epoch_s",)
    assert forms("1780315200000", "1780316100000", header="unix time") == ("epoch_ms",)
    sheet = look_at(b"Serial;AC power W\n1780315200;1\n1780316100;2\n", name="x.csv")
    assert find_clock(sheet, latest=LATEST) is None


def test_date_and_clock_time_in_two_columns() -> None:
    sheet = look_at(b"Date;Hour;AC power W\n23.05.2026;13:15;5\n23.05.2026;13:30;6\n", name="x.csv")
    clock = find_clock(sheet, latest=LATEST)
    assert clock is not None
    (form,) = clock.forms
    assert (form.column, form.clock_column, form.format) == ("Date", "Hour", "%d.%m.%Y %H:%M")


def test_of_two_columns_with_times_the_one_in_utc_is_taken() -> None:
    rows = b"Local time;Time UTC;P\n2026-05-23 13:15;2026-05-23 12:15;5\n2026-05-23 13:30;2026-05-23 12:30;6\n"
    clock = find_clock(look_at(rows, name="x.csv"), latest=LATEST)
    assert clock is not None
    assert clock.forms[0].column == "Time UTC"
    assert clock.others == ("Local time",)


def test_the_header_is_found_below_other_lines() -> None:
    sheet = look_at(b"Site export;Larkrise\nRows;2\n\nTime;P W;\n2026-05-23 13:15;5;\n2026-05-23 13:30;6;\n", name="x")
    assert (sheet.header_line, sheet.delimiter, sheet.names, sheet.rows) == (4, ";", ("Time", "P W"), 2)


def test_a_file_without_a_header_is_refused() -> None:
    with pytest.raises(InputError, match=r"x\.csv: no table was found: .* the first line is '2026-05-23 13:15;5'"):
        look_at(b"2026-05-23 13:15;5\n2026-05-23 13:30;6\n", name="x.csv")
