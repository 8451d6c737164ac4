"""Civil time and UTC where the clocks change; truth from published change dates."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from ingest.timeline import local_day, to_local, to_utc

LONDON = "Europe/London"


def stamps(*texts: str) -> np.ndarray:
    return np.array([int(datetime.fromisoformat(text + "Z").timestamp()) for text in texts], np.int64)


def told(utc: np.ndarray) -> list[str]:
    return [datetime.fromtimestamp(int(t), UTC).strftime("%Y-%m-%dT%H:%M") for t in utc]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        (LONDON, date(2026, 3, 29), 23.0),
        (LONDON, date(2026, 10, 25), 25.0),
        ("America/New_York", date(2026, 3, 8), 23.0),
        ("America/New_York", date(2026, 11, 1), 25.0),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
        ("Australia/Sydney", date(2026, 10, 4), 23.0),
        ("Asia/Kolkata", date(2026, 3, 29), 24.0),
    ],
)
def test_a_local_day_is_as_long_as_the_clock_says(zone: str, day: date, hours: float) -> None:
    start, end = local_day(day, ZoneInfo(zone))
    assert (end - start) / 3600 == hours


@pytest.mark.parametrize(
    ("zone", "change", "before_s"),
    [
        (LONDON, "2026-10-25T01:00", 3600),
        (LONDON, "2026-03-29T01:00", 0),
        ("America/New_York", "2026-11-01T06:00", -4 * 3600),
        ("America/New_York", "2026-03-08T07:00", -5 * 3600),
        ("Australia/Lord_Howe", "2026-04-04T15:00", 11 * 3600),
        ("Australia/Lord_Howe", "2026-10-03T15:30", 10 * 3600 + 1800),
        ("Australia/Sydney", "2026-04-04T16:00", 11 * 3600),
        ("Asia/Kolkata", "2026-03-29T01:00", 19_800),
    ],
)
def test_what_a_clock_shows_over_a_change_comes_back(zone: str, change: str, before_s: int) -> None:
    (at,) = stamps(change)
    utc = np.arange(at - 6 * 3600, at + 6 * 3600, 300)
    local = to_local(utc, ZoneInfo(zone))
    assert local[0] - utc[0] == before_s
    for rows in (slice(None), slice(None, None, -1)):  # oldest or newest first
        civil = to_utc(local[rows], ZoneInfo(zone), interval_s=300)
        np.testing.assert_array_equal(civil.utc, utc[rows])
        assert not civil.missing.any()
        assert not civil.unsure.any()


@pytest.mark.parametrize(
    ("zone", "texts", "missing"),
    [
        (LONDON, ("2026-03-29T00:59", "2026-03-29T01:00", "2026-03-29T01:59", "2026-03-29T02:00"), [1, 2]),
        ("Australia/Lord_Howe", ("2026-10-04T01:59", "2026-10-04T02:00", "2026-10-04T02:30"), [1]),
        ("America/New_York", ("2026-03-08T01:55", "2026-03-08T02:30", "2026-03-08T03:00"), [1]),
        ("Asia/Kolkata", ("2026-03-29T01:30",), []),
    ],
)  # fmt: skip
def test_the_hour_that_the_clock_skips_does_not_exist(zone: str, texts: tuple[str, ...], missing: list[int]) -> None:
    civil = to_utc(stamps(*texts), ZoneInfo(zone), interval_s=300)
    assert np.flatnonzero(civil.missing).tolist() == missing


def test_the_repeated_hour_is_told_by_the_order_of_rows() -> None:
    wall = stamps("2026-10-25T00:45", "2026-10-25T01:15", "2026-10-25T01:45", "2026-10-25T01:15", "2026-10-25T02:15")
    civil = to_utc(wall, ZoneInfo(LONDON), interval_s=1800)
    assert told(civil.utc) == [
        "2026-10-24T23:45", "2026-10-25T00:15", "2026-10-25T00:45", "2026-10-25T01:15", "2026-10-25T02:15",
    ]  # fmt: skip


def test_an_hourly_logger_writes_the_same_stamp_twice() -> None:
    wall = stamps("2026-10-25T00:00", "2026-10-25T01:00", "2026-10-25T01:00", "2026-10-25T02:00")
    civil = to_utc(wall, ZoneInfo(LONDON), interval_s=3600)
    assert told(civil.utc)[1:3] == ["2026-10-25T00:00", "2026-10-25T01:00"]


def test_each_module_of_a_long_table_has_its_own_order() -> None:
    texts = ["2026-10-25T00:30", "2026-10-25T01:00", "2026-10-25T01:30", "2026-10-25T01:00", "2026-10-25T01:30"]
    wall = np.repeat(stamps(*texts), 2)  # two modules, row by row
    civil = to_utc(wall, ZoneInfo(LONDON), interval_s=1800, groups=np.tile([0, 1], len(texts)))
    assert told(civil.utc[::2]) == told(civil.utc[1::2])
    assert told(civil.utc[::2])[1:] == ["2026-10-25T00:00", "2026-10-25T00:30", "2026-10-25T01:00", "2026-10-25T01:30"]


def test_a_lone_row_in_the_repeated_hour_is_unsure() -> None:
    civil = to_utc(stamps("2026-10-25T01:30"), ZoneInfo(LONDON), interval_s=300)
    assert told(civil.utc) == ["2026-10-25T00:30"]
    assert civil.unsure.tolist() == [True]


def test_one_pass_of_the_repeated_hour_goes_where_it_leaves_no_hole() -> None:
    texts = [f"2026-10-25T01:{m:02d}" for m in range(0, 60, 10)]
    joined_behind = to_utc(stamps(*texts, "2026-10-25T02:00"), ZoneInfo(LONDON), interval_s=600)
    assert told(joined_behind.utc)[0] == "2026-10-25T01:00"
    joined_before = to_utc(stamps("2026-10-25T00:50", *texts), ZoneInfo(LONDON), interval_s=600)
    assert told(joined_before.utc)[1] == "2026-10-25T00:00"
