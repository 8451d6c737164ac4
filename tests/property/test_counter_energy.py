"""Whatever a register does, energy is neither invented nor lost between two resets."""

from __future__ import annotations

from itertools import accumulate

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ingest.counters import interval_energy

STEPS = st.lists(st.integers(0, 80), min_size=2, max_size=60)  # hundredths of a kWh in a quarter of an hour


@given(STEPS, st.data())
def test_the_sum_is_what_the_register_rose_by_whatever_is_missing(steps: list[int], data: st.DataObject) -> None:
    register = np.array(list(accumulate(steps))) / 100 + 1234.5
    missing = data.draw(st.lists(st.booleans(), min_size=len(steps), max_size=len(steps)))
    register[np.array(missing)] = np.nan
    known = register[~np.isnan(register)]
    energy, span_s = interval_energy(900 * np.arange(len(steps)), register, interval_s=900)
    if known.size > 1:
        np.testing.assert_allclose(np.nansum(energy), known[-1] - known[0], atol=1e-6)
        places = np.flatnonzero(~np.isnan(register))
        assert np.nansum(span_s) == 900 * (places[-1] - places[0])
    np.testing.assert_array_equal(np.isnan(energy), np.isnan(span_s))


@given(st.integers(2, 5), st.lists(st.integers(1, 80), min_size=8, max_size=30))
def test_every_day_counts_from_its_own_reset(days: int, steps: list[int]) -> None:
    day = np.cumsum([0, 0, *steps, 0, 0]) / 100
    register = np.tile(day, days)
    energy, _ = interval_energy(900 * np.arange(register.size), register, interval_s=900)
    np.testing.assert_allclose(np.nansum(energy), days * day[-1], atol=1e-6)


@given(st.lists(st.one_of(st.floats(0, 1e7), st.just(float("nan"))), max_size=30))
def test_energy_is_never_negative(register: list[float]) -> None:
    energy, span_s = interval_energy(900 * np.arange(len(register)), np.array(register), interval_s=900)
    assert not (energy < 0).any()
    assert np.isnan(energy[np.isnan(register)]).all()
    assert not (np.isnan(span_s) & ~np.isnan(energy)).any()
