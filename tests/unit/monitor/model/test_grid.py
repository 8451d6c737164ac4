"""Resampling keeps energy, and a gap stays a gap."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.grid import STEP_S, grid, spread

DAY = 86_400


@given(
    st.lists(st.tuples(st.integers(60, 5400), st.one_of(st.just(np.nan), st.floats(0.0, 1e4))), min_size=1, max_size=60)
)
def test_energy_is_conserved_whatever_the_intervals(parts: list[tuple[int, float]]) -> None:
    lengths = np.array([p[0] for p in parts])
    ends = np.cumsum(lengths)
    starts = ends - lengths
    rate = np.array([p[1] for p in parts])
    onto = grid(0, -(-int(ends[-1]) // STEP_S) * STEP_S)
    mean, covered = spread(starts, ends, rate, onto=onto)
    known = ~np.isnan(rate)
    assert np.nansum(mean * covered) * STEP_S == pytest.approx(np.sum(rate[known] * lengths[known]), rel=1e-9, abs=1e-6)
    assert np.sum(covered) * STEP_S == pytest.approx(np.sum(lengths[known]), rel=1e-9)
    assert np.all(np.isnan(mean) == (covered == 0.0))


def test_gap_is_not_zero() -> None:
    starts = np.array([0, 300, 600, 1800])
    mean, covered = spread(starts, starts + 300, np.array([10.0, np.nan, 10.0, 5.0]), onto=grid(0, 2700))
    assert mean[0] == 10.0
    assert covered[0] == pytest.approx(2.0 / 3.0)
    assert np.isnan(mean[1])
    assert mean[2] == 5.0


def test_an_interval_that_runs_into_the_next_is_cut() -> None:
    starts = np.array([0, 300])
    mean, covered = spread(starts, starts + 900, np.array([4.0, 8.0]), onto=grid(0, 1800))
    assert mean[0] == pytest.approx((4.0 * 300 + 8.0 * 600) / 900)
    assert covered[1] == pytest.approx(300 / 900)
