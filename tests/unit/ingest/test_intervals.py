"""How long intervals really are: a changed step is believed, a gap stays one."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.intervals import anchor_of, interval_bounds
from ingest.readers.assemble import start_shift
from ingest.readings import Seconds

DAY = 86_400
T0 = 20_000 * DAY + 6 * 3600


def bounds(stamps: list[int], *, declared_s: int = 300, anchor: float = 0.0) -> tuple[list[int], list[int]]:
    """Bounds relative to T0 of readings stamped at some minutes after it."""
    starts: Seconds = T0 + 60 * np.array(stamps, dtype=np.int64) - int(anchor * declared_s)
    begins, ends = interval_bounds(starts, declared_s=declared_s, anchor=anchor, days=starts // DAY)
    return ((begins - T0) // 60).tolist(), ((ends - T0) // 60).tolist()


@pytest.mark.parametrize("marks", ["start", "end", "instant"])
@pytest.mark.parametrize("reads", ["mean", "interval", "counter"])
def test_the_anchor_is_where_the_readers_put_the_stamp(marks: str, reads: str) -> None:
    assert anchor_of(marks, reads) * 300 == start_shift(marks, reads, 300)  # type: ignore[arg-type]


def test_as_declared() -> None:
    assert bounds([0, 5, 10, 15]) == ([0, 5, 10, 15], [5, 10, 15, 20])


def test_from_five_minutes_to_fifteen_stamped_at_the_start() -> None:
    stamps = [0, 5, 10, 15, 30, 45, 60, 75]
    assert bounds(stamps) == (stamps, [5, 10, 15, 30, 45, 60, 75, 90])


def test_from_five_minutes_to_fifteen_stamped_at_the_end() -> None:
    stamps = [5, 10, 15, 30, 45, 60, 75, 80, 85]
    assert bounds(stamps, anchor=1.0) == ([0, 5, 10, 15, 30, 45, 60, 75, 80], stamps)


def test_from_five_minutes_to_fifteen_read_at_an_instant() -> None:
    begins, ends = bounds([0, 6, 12, 18, 38, 58, 78, 98, 104], declared_s=360, anchor=0.5)
    assert begins == [-3, 3, 9, 15, 28, 48, 68, 88, 101]
    assert ends == [3, 9, 15, 28, 48, 68, 88, 101, 107]


def test_from_fifteen_minutes_to_one_and_back() -> None:
    stamps = [0, 15, 30, 45, *range(60, 70), 70, 85, 100]
    begins, ends = bounds(stamps, declared_s=900)
    assert begins == stamps
    assert ends == [15, 30, 45, *range(60, 70), 70, 85, 100, 115]


def test_single_gaps_and_their_neighbours_stay_as_declared() -> None:
    assert bounds([0, 5, 20, 25, 30, 60, 65, 85])[1] == [5, 10, 25, 30, 35, 65, 70, 90]


def test_three_long_steps_are_gaps_and_four_are_an_interval() -> None:
    assert bounds([0, 15, 30, 45])[1] == [5, 20, 35, 50]
    assert bounds([0, 15, 30, 45, 60])[1] == [15, 30, 45, 60, 75]


def test_a_gap_within_the_new_interval_stays_one() -> None:
    assert bounds([0, 15, 30, 45, 60, 120, 135, 150, 165, 180])[1] == [15, 30, 45, 60, 75, 135, 150, 165, 180, 195]
    begins, _ = bounds([0, 15, 30, 45, 60, 120, 135, 150, 165, 180], anchor=1.0)
    assert begins == [-15, 0, 15, 30, 45, 105, 120, 135, 150, 165]


def test_one_reading_a_day_is_no_interval() -> None:
    stamps = [1440 * n for n in range(8)]
    assert bounds(stamps)[1] == [s + 5 for s in stamps]


def test_jitter_leaves_no_overlap_and_no_slivers() -> None:
    starts = T0 + np.array([0, 299, 601, 899, 1200])
    begins, ends = interval_bounds(starts, declared_s=300, anchor=0.0, days=starts // DAY)
    np.testing.assert_array_equal(begins, starts)
    assert (ends - T0).tolist() == [299, 599, 899, 1199, 1500]
    begins, ends = interval_bounds(starts, declared_s=300, anchor=1.0, days=starts // DAY)
    np.testing.assert_array_equal(ends, starts + 300)
    assert (begins - T0).tolist() == [0, 300, 601, 901, 1200]


@pytest.mark.parametrize("anchor", [0.0, 0.5, 1.0])
def test_a_days_intervals_do_not_depend_on_later_days(anchor: float) -> None:
    """A step that only shows itself after midnight is not known before."""
    before = np.arange(0, 17 * 60 + 10, 5)
    stamps = np.concatenate([before, 17 * 60 + 10 + 20 * np.arange(20)])  # midnight is 18 hours after T0
    starts = T0 + 60 * stamps - int(anchor * 300)
    days = starts // DAY
    whole = interval_bounds(starts, declared_s=300, anchor=anchor, days=days)
    today = days == days[0]
    alone = interval_bounds(starts[today], declared_s=300, anchor=anchor, days=days[today])
    np.testing.assert_array_equal(whole[0][today], alone[0])
    np.testing.assert_array_equal(whole[1][today], alone[1])
    assert (whole[1] - whole[0])[~today][2] == 1200
    assert (whole[1] - whole[0])[today][-2] == 300


def test_no_readings_and_one() -> None:
    assert bounds([]) == ([], [])
    assert bounds([7]) == ([7], [12])
