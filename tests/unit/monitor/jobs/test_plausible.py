"""What cannot be true of a site is set aside, and the rest stays as it is."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.readings import Channel, ReadResult, Table
from monitor.jobs.plausible import Believable, Doubts, Times, keep_believable, sift

DAY = 86_400

POWER = Channel("inverter:inv1", "ac_power", "mean", "W")
SUN = Channel("site", "irradiance_ghi", "mean", "W/m2")
MODULE = Channel("module:s9/01", "dc_power", "mean", "W")
BOUNDS = Believable(1000, 2000, frozenset({"inverter:inv1", "site"}))


def result(times: list[int], *channels: Channel) -> ReadResult:
    starts = np.array(times, np.int64)
    return ReadResult((Table(starts, {c: starts.astype(float) for c in channels}),), (), len(times))


def test_nothing_to_set_aside_is_the_same_result() -> None:
    good = result([1000, 1999], POWER)
    assert keep_believable(good, "a.csv", BOUNDS) is good


def test_times_outside_are_told_once_a_side() -> None:
    kept = keep_believable(result([998, 999, 1000, 1999, 2000], POWER), "a.csv", BOUNDS)
    assert kept.tables[0].starts.tolist() == [1000, 1999]
    assert kept.tables[0].columns[POWER].tolist() == [1000.0, 1999.0]
    assert [r.reason for r in kept.rejects] == [
        "2 times lie before 1970-01-01 00:16 UTC, the day before the site was commissioned",
        "1 time lies after 1970-01-01 00:33 UTC, one day from now",
    ]


def test_weather_may_be_older_than_the_site() -> None:
    old = result([10, 1500], SUN)
    assert keep_believable(old, "w.csv", BOUNDS) is old
    assert keep_believable(result([10, 2000], SUN), "w.csv", BOUNDS).tables[0].starts.tolist() == [10]


def test_a_part_that_the_site_does_not_have() -> None:
    kept = keep_believable(result([1000], POWER, MODULE), "m.csv", BOUNDS)
    assert list(kept.tables[0].columns) == [POWER]
    assert [(r.text, r.reason) for r in kept.rejects] == [
        ("module:s9/01", "the site file has no such part; its readings were set aside")
    ]


def test_a_table_of_nothing_else_is_dropped() -> None:
    assert keep_believable(result([1000], MODULE), "m.csv", BOUNDS).tables == ()
    assert keep_believable(result([5], POWER), "m.csv", BOUNDS).tables == ()


def test_doubts_of_pieces_add_up() -> None:
    pieces = [result([10, 1000, 2500], POWER), result([1500], POWER, MODULE), result([2100, 2900], POWER)]
    total = Doubts()
    for piece in pieces:
        kept, doubts = sift(piece, BOUNDS)
        assert kept.rejects == ()
        total += doubts
    assert total == Doubts(frozenset({"module:s9/01"}), Times(1, 10, 10), Times(3, 2100, 2900))
    assert [r.reason for r in total.rejects("a.csv", BOUNDS)] == [
        "the site file has no such part; its readings were set aside",
        "1 time lies before 1970-01-01 00:16 UTC, the day before the site was commissioned",
        "3 times lie after 1970-01-01 00:33 UTC, one day from now",
    ]


@pytest.mark.parametrize(
    ("first", "last", "again"),
    [
        (10 * DAY, 10 * DAY, 9 * DAY + 1),  # one time: as soon as it is believable
        (5 * DAY + 60, 5 * DAY + 7200, 4 * DAY + 7201),  # within a day: all of them at once
        (5 * DAY + 60, 90 * DAY, 5 * DAY),  # a long forecast: once a day
        (30 * DAY, 90 * DAY, 29 * DAY + 1),
    ],
)
def test_when_the_future_is_looked_at_again(first: int, last: int, again: int) -> None:
    assert Doubts(late=Times(2, first, last)).read_again_at(4 * DAY) == again
    assert Doubts(early=Times(2, first, last)).read_again_at(4 * DAY) is None
