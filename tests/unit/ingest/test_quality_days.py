"""Levels and clocks day by day: factors of units, shifts of centroids, strings that only seem dead."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.quality import UnitJump, clock_shift_s, mute_by_balance, unit_factor, unit_jump

STARTS = 900 * np.arange(96)
HOUR = STARTS / 3600.0
CLEAR = 3000.0 * np.maximum(np.sin(np.pi * (HOUR - 5.0) / 14.0), 0.0) ** 1.2


@pytest.mark.parametrize(
    ("ratio", "factor"),
    [
        (1000.0, 1000.0), (0.001, 1e-3), (0.00107, 1e-3), (1 / 60, 1 / 60), (12.3, 12.0), (4.2, 4.0), (0.26, 0.25),
        (0.52, 0.5), (1.0, None), (0.8, None), (3.0, None), (0.62, None), (7.0, None),
    ],
)  # fmt: skip
def test_factor_of_units(ratio: float, factor: float | None) -> None:
    assert unit_factor(18.0 * ratio, 18.0) == (None if factor is None else pytest.approx(factor))


def test_nothing_has_no_unit() -> None:
    assert unit_factor(0.0, 18.0) is None
    assert unit_factor(18.0, float("nan")) is None


def test_a_jump_has_to_last_for_three_days_that_can_be_compared() -> None:
    reference = np.array([20.0, 21.0, 9.0, np.nan, 18.0, 22.0])
    measured = reference * [1.0, 1.02, 0.25, 0.25, 0.26, 0.24]
    assert unit_jump(measured[:-1], reference[:-1]) is None
    assert unit_jump(measured, reference) == UnitJump(0.25, 2)
    assert unit_jump(reference, reference) is None
    assert unit_jump(np.array([]), np.array([])) is None


def test_a_jump_that_is_over_is_none() -> None:
    assert unit_jump(np.array([5.0, 5.0, 5.0, 20.0]), np.full(4, 20.0)) is None


@pytest.mark.parametrize("minutes", [-60, -20, 0, 20, 60])
def test_clock_shift_of_a_clear_day(minutes: int) -> None:
    shifted = np.interp(HOUR - minutes / 60.0, HOUR, CLEAR)
    found = clock_shift_s(0.9 * shifted, CLEAR, STARTS)
    assert found == pytest.approx(60 * minutes, abs=90)


def test_a_cloudy_or_patchy_day_tells_nothing_of_the_clock() -> None:
    rng = np.random.default_rng(4)
    assert clock_shift_s(CLEAR * rng.uniform(0.1, 1.0, 96), CLEAR, STARTS) is None
    assert clock_shift_s(np.where(HOUR < 12, np.nan, CLEAR), CLEAR, STARTS) is None
    assert clock_shift_s(np.zeros(96), CLEAR, STARTS) is None
    assert clock_shift_s(CLEAR, np.zeros(96), STARTS) is None


@pytest.mark.parametrize(
    ("dc", "ac", "mute"),
    [
        ([0.0, 10.0], 19.0, [True, False]),  # twice as much as one string gives
        ([0.0, 10.0], 9.6, [False, False]),  # a dead string
        ([0.0, 10.0], 10.2, [False, False]),  # a dead string, and an inverter that reads too much
        ([9.0, 10.0], 18.2, [False, False]),
        ([0.0, 0.0], 18.0, [False, False]),  # whose energy is it?
        ([0.0, 10.0, 10.0], 28.6, [True, False, False]),
    ],
)
def test_a_string_works_if_its_inverter_gives_more_than_the_others(
    dc: list[float], ac: float, mute: list[bool]
) -> None:
    rated = np.full(len(dc), 4000.0)
    assert mute_by_balance(np.array(dc), ac, rated).tolist() == mute


def test_a_string_alone_works_if_its_inverter_does() -> None:
    assert mute_by_balance(np.array([0.0]), 12.0, np.array([4000.0])).tolist() == [True]
