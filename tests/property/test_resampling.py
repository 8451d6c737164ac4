"""Whatever the intervals, gaps, clocks and changes: the energy that goes into the grid comes out of it."""

from __future__ import annotations

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.counters import interval_energy
from ingest.intervals import interval_bounds
from ingest.readings import Seconds, Values
from ingest.timeline import local_day, to_local
from monitor.model.grid import STEP_S, grid, spread

ZONES = st.sampled_from(["Europe/London", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu"])
# Days around clock changes of one zone or another, and an ordinary one.
DAYS = st.sampled_from([date(2026, 3, 28), date(2026, 10, 24), date(2026, 4, 4), date(2026, 10, 3), date(2026, 6, 1)])
STEPS = st.sampled_from([60, 120, 300, 600, 900, 1800, 3600])
ANCHORS = st.sampled_from([0.0, 0.5, 1.0])


@st.composite
def series(draw: st.DrawFn) -> tuple[Seconds, Seconds, int]:
    """Stamps of a logger over three local days whose step is changed, with gaps; local days; the declared step."""
    zone, first, declared = ZoneInfo(draw(ZONES)), draw(DAYS), draw(STEPS)
    begin, _ = local_day(first, zone)
    _, end = local_day(first + timedelta(days=2), zone)
    parts = [declared, *draw(st.lists(STEPS, max_size=2))]
    cuts = [begin, *sorted(draw(st.integers(begin, end)) // 60 * 60 for _ in parts[1:]), end]
    stamps = np.concatenate([np.arange(a, b, step) for a, b, step in zip(cuts[:-1], cuts[1:], parts, strict=True)])
    kept = np.ones(stamps.size, dtype=bool)
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, stamps.size - 1))
        kept[at : at + draw(st.integers(1, 40))] = False
    stamps = np.unique(stamps[kept])
    return stamps, to_local(stamps, zone) // 86_400, declared


def energies(size: int, seed: int) -> Values:
    return np.round(np.random.default_rng(seed).uniform(0.0, 2.0, size), 3)


@given(series(), ANCHORS, st.integers(0, 99))
def test_intervals_never_overlap_and_their_energy_is_kept(
    given_series: tuple[Seconds, Seconds, int], anchor: float, seed: int
) -> None:
    stamps, days, declared = given_series
    starts = stamps - int(anchor * declared)
    begins, ends = interval_bounds(starts, declared_s=declared, anchor=anchor, days=days)
    assert (ends > begins).all()
    assert (ends[:-1] <= begins[1:]).all()
    energy = energies(stamps.size, seed)
    if not stamps.size:
        return
    onto = grid((int(begins[0]) // STEP_S) * STEP_S, int(ends[-1]) + STEP_S)
    mean, covered = spread(begins, ends, energy / (ends - begins), onto=onto)
    assert np.nansum(mean * covered) * STEP_S == pytest.approx(energy.sum(), rel=1e-9)
    assert covered.sum() * STEP_S == pytest.approx((ends - begins).sum())
    assert covered.max() <= 1.0 + 1e-12


@given(series(), ANCHORS, st.integers(0, 99))
def test_no_gap_is_filled_by_more_than_a_steady_step(
    given_series: tuple[Seconds, Seconds, int], anchor: float, seed: int
) -> None:
    """An interval is as long as declared, or as a step beside it that comes several times."""
    stamps, days, declared = given_series
    begins, ends = interval_bounds(stamps - int(anchor * declared), declared_s=declared, anchor=anchor, days=days)
    steps = np.diff(stamps)
    known = {declared, *(int(s) for s in np.unique(steps) if np.count_nonzero(np.abs(steps - s) <= 0.1 * s) >= 4)}
    assert (ends - begins).max(initial=0) <= max(known)


@given(series(), st.sampled_from([0.0, 1.0]), st.integers(0, 99))
def test_a_counters_energy_is_exact_whatever_the_interval(
    given_series: tuple[Seconds, Seconds, int], anchor: float, seed: int
) -> None:
    stamps, days, declared = given_series
    if stamps.size < 2:
        return
    register = 1000.0 + np.cumsum(energies(stamps.size, seed))
    _, ends = interval_bounds(stamps - int(anchor * declared), declared_s=declared, anchor=anchor, days=days)
    energy, span = interval_energy(ends, register, interval_s=declared)
    begins = ends[1:] - span[1:].astype(np.int64)
    onto = grid(int(begins[0]) // STEP_S * STEP_S, int(ends[-1]) + STEP_S)
    mean, covered = spread(begins, ends[1:], energy[1:] / (ends[1:] - begins), onto=onto)
    assert np.nansum(mean * covered) * STEP_S == pytest.approx(register[-1] - register[0], rel=1e-9)
    np.testing.assert_array_equal(begins, ends[:-1])
