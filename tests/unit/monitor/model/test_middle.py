"""Median and quantile agree with those of numpy to the last digit."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.middle import median, quantile

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=120)


@given(NUMBERS)
def test_the_median_is_that_of_numpy(numbers: list[float]) -> None:
    assert median(numbers) == np.median(numbers)
    assert median(np.array(numbers)) == np.median(numbers)


@given(NUMBERS, st.floats(0.0, 1.0))
def test_a_quantile_is_that_of_numpy(numbers: list[float], share: float) -> None:
    assert quantile(numbers, share) == np.quantile(numbers, share)


def test_a_gap_makes_a_gap_and_the_numbers_stay_as_they_were() -> None:
    numbers = np.array([3.0, np.nan, 1.0])
    assert math.isnan(median(numbers))
    assert math.isnan(quantile(numbers, 0.9))
    assert math.isnan(median([]))
    assert numbers[0] == 3.0
