"""Rows of a dump gathered to polls, words scaled, and reads merged: by hand."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.registers.polls import group_polls
from ingest.registers.reads import merge_reads
from ingest.registers.words import decode_words, scale_by_powers

Row = tuple[int, int, int]  # unit, time, register


def polls_of(*rows: Row, tolerance_s: int = 5) -> tuple[list[int], list[tuple[int, int]]]:
    """Poll of each row, and unit and time of each poll."""
    units, times, addresses = np.array(rows, np.int64).reshape(-1, 3).T
    found = group_polls(units, times, addresses, tolerance_s=tolerance_s)
    return found.of_row.tolist(), list(zip(found.units.tolist(), found.times.tolist(), strict=True))


def test_rows_within_the_tolerance_are_one_poll_at_the_time_of_its_first() -> None:
    assert polls_of((1, 1000, 10), (1, 1003, 11), (1, 1005, 12)) == ([0, 0, 0], [(1, 1000)])


def test_a_row_later_than_the_tolerance_begins_another_poll() -> None:
    rows = ((1, 1000, 10), (1, 1004, 11), (1, 1008, 12), (1, 1010, 13))
    assert polls_of(*rows) == ([0, 0, 1, 1], [(1, 1000), (1, 1008)])


def test_a_register_that_comes_again_begins_another_poll() -> None:
    rows = ((1, 1000, 10), (1, 1001, 11), (1, 1002, 10), (1, 1003, 11))
    assert polls_of(*rows) == ([0, 0, 1, 1], [(1, 1000), (1, 1002)])


def test_rows_of_one_time_stay_together() -> None:
    rows = ((1, 1000, 10), (1, 1002, 11), (1, 1002, 10), (1, 1002, 10))
    assert polls_of(*rows) == ([0, 1, 1, 1], [(1, 1000), (1, 1002)])


def test_units_never_share_a_poll_and_rows_may_be_in_any_order() -> None:
    rows = ((2, 1001, 10), (1, 4000, 10), (1, 1000, 10), (2, 1000, 11), (1, 1001, 11))
    assert polls_of(*rows) == ([2, 1, 0, 2, 0], [(1, 1000), (1, 4000), (2, 1000)])


def test_without_a_tolerance_every_time_is_a_poll() -> None:
    assert polls_of((1, 1000, 10), (1, 1000, 11), (1, 1001, 12), tolerance_s=0) == ([0, 0, 1], [(1, 1000), (1, 1001)])


def test_no_rows_are_no_polls() -> None:
    assert polls_of() == ([], [])


def test_powers_of_ten_give_the_decimal_number_itself() -> None:
    values = np.full(8, 123_456_789.0)
    powers = np.array([-10, -2, -1, 0, 1, 10, 11, -11], np.int64)
    expected = [0.0123456789, 1_234_567.89, 12_345_678.9, 123_456_789.0, 1_234_567_890.0, 1.23456789e18]
    found = scale_by_powers(values, powers)
    assert found[:6].tolist() == expected
    assert np.isnan(found[6:]).all()


@pytest.mark.parametrize(
    ("words", "expected"), [((0, 0), None), ((0, 1), 1.0), ((65_535, 65_535), None), ((1, 0), 65_536.0)]
)
def test_an_accumulator_at_zero_is_not_implemented(words: tuple[int, int], expected: float | None) -> None:
    (found,) = decode_words(np.array([words], np.uint16), "acc32").tolist()
    assert np.isnan(found) if expected is None else found == expected


def test_neighbouring_reads_are_merged_and_gaps_are_not_asked_for() -> None:
    assert merge_reads([(10, 2), (14, 1), (12, 2), (12, 2), (20, 1)]) == [(10, 5), (20, 1)]
    assert merge_reads([(10, 2), (14, 1)], gap=2) == [(10, 5)]
    assert merge_reads([(10, 2), (15, 1)], gap=2) == [(10, 2), (15, 1)]


def test_no_read_is_too_long_and_no_value_is_split() -> None:
    assert merge_reads((2 * i, 2) for i in range(63)) == [(0, 124), (124, 2)]
    assert merge_reads([(0, 120), (121, 4)], gap=1) == [(0, 125)]
    assert merge_reads([(0, 120), (121, 5)], gap=1) == [(0, 120), (121, 5)]
