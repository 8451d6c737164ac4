"""Whatever a register does, energy is neither invented nor lost between two resets."""

from __future__ import annotations

from datetime import datetime
from itertools import accumulate
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from ingest.counters import interval_energy
from ingest.timeline import to_local

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


@given(
    st.sampled_from([(2**16, 0.01), (2**16, 1.0), (2**32, 0.001), (10**6, 0.1), (10**6, 1.0)]),
    st.lists(st.integers(20, 29), min_size=20, max_size=60),
    st.integers(4, 16),
    st.data(),
)
def test_the_sum_goes_on_over_a_roll_over_whatever_is_missing(
    register: tuple[int, float], steps: list[int], before: int, data: st.DataObject
) -> None:
    """The moduli of 16 bits, 32 bits and 99999.9; `before` readings until it is reached."""
    modulus, unit = register
    counts = np.array(list(accumulate(steps)))
    counts = counts - counts[before] + modulus + data.draw(st.integers(0, steps[before] - 1))
    missing = np.array(data.draw(st.lists(st.integers(0, 9), min_size=len(steps), max_size=len(steps)))) == 0
    shown = np.where(missing, np.nan, (counts % modulus) * unit)
    known = np.flatnonzero(~missing)
    energy, _ = interval_energy(900 * np.arange(counts.size), shown, interval_s=900)
    if known.size > 12:
        np.testing.assert_allclose(np.nansum(energy), (counts[known[-1]] - counts[known[0]]) * unit, rtol=1e-6)


DAY_STEPS = [0] * 20 + [1, 4, 9, 15, 20, 24, 26, 26, 24, 20, 15, 9, 4, 1] + [0] * 14  # hundredths a half-hour


@given(
    st.sampled_from(["UTC", "Europe/London", "Australia/Sydney", "America/New_York"]),
    st.sampled_from(["UTC", "the same"]),
    st.lists(st.integers(1, 4), min_size=4, max_size=9),
    st.data(),
)
def test_a_daily_register_counts_all_days(zone: str, midnight: str, brightness: list[int], data: st.DataObject) -> None:
    """Resets at the local or at the UTC midnight, over both changes of the clock, with gaps within the days."""
    local = ZoneInfo(zone)
    month, begin = data.draw(st.sampled_from([(3, 6), (3, 27), (10, 2), (10, 23), (10, 31)]))
    first = int(datetime(2026, month, begin, tzinfo=local).timestamp())
    ends = first + 1800 * np.arange(1, 48 * len(brightness) + 1)
    energy = np.array(DAY_STEPS)[(np.arange(ends.size)) % 48] * np.repeat(brightness, 48)
    clock = ends if midnight == "UTC" else to_local(ends, local)
    day = (clock - 1) // 86_400  # what is read at midnight still tells of the day that ends
    total = np.concatenate([np.cumsum(energy[day == one]) for one in np.unique(day)])
    assume((np.diff(total)[np.diff(day) > 0] < 0).all())  # after an hour of light a reset can be seen
    missing = np.isin(np.arange(ends.size), data.draw(st.lists(st.integers(0, ends.size - 1), max_size=ends.size // 4)))
    around_reset = np.diff(day, prepend=day[0], append=day[-1])
    missing &= (around_reset[:-1] == 0) & (around_reset[1:] == 0)
    missing[[0, -1]] = False
    counted, _ = interval_energy(ends - 1800, np.where(missing, np.nan, total / 100), interval_s=1800)
    np.testing.assert_allclose(np.nansum(counted), energy[1:].sum() / 100, atol=1e-6)
