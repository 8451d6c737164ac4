"""Energies of cumulative registers; truth by counting up by hand."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.counters import interval_energy

NAN = float("nan")
QUARTER = 900


def energies(register: list[float], *, starts: list[int] | None = None) -> tuple[list[float], list[float]]:
    times = np.array(starts, np.int64) if starts else QUARTER * np.arange(len(register))
    energy, span_s = interval_energy(times, np.array(register), interval_s=QUARTER)
    return energy.tolist(), span_s.tolist()


def approx(values: list[float]) -> object:
    return pytest.approx(values, abs=1e-6, nan_ok=True)


@pytest.mark.parametrize("register", [[], [5.0], [NAN, 5.0, NAN]])
def test_one_reading_tells_no_energy(register: list[float]) -> None:
    energy, span_s = energies(register)
    assert np.isnan(energy).all()
    assert np.isnan(span_s).all()


def test_a_step_over_a_gap_belongs_to_its_end_and_says_how_long_it_is() -> None:
    energy, span_s = energies([1.0, 1.5, NAN, NAN, 3.0])
    assert energy == approx([NAN, 0.5, NAN, NAN, 1.5])
    assert span_s == approx([NAN, 900.0, NAN, NAN, 2700.0])


def test_missing_rows_are_a_gap_too() -> None:
    assert energies([1.0, 1.5, 2.5], starts=[0, 900, 4500])[1] == approx([NAN, 900.0, 3600.0])


def test_a_daily_register_starts_again_at_zero() -> None:
    energy, _ = energies([9.0, 9.6, 9.8, 9.8, 9.8, 9.8, 0.0, 0.0, 0.2, 0.7])
    assert energy == approx([NAN, 0.6, 0.2, 0.0, 0.0, 0.0, 0.0, 0.0, 0.2, 0.5])


def test_after_a_reset_in_a_gap_the_energy_since_zero_counts() -> None:
    energy, span_s = energies([8.0, 8.5, 8.6, 0.3, 0.8], starts=[0, 900, 1800, 46_800, 47_700])
    assert energy == approx([NAN, 0.5, 0.1, 0.3, 0.5])
    assert span_s[3] == 45_000.0


@pytest.mark.parametrize(
    ("register", "wrapped"),
    [
        ([99_999.5, 99_999.7, 99_999.9, 0.1, 0.3], 0.2),
        ([999_998.0, 999_999.0, 0.0, 1.0], 1.0),
        ([655.31, 655.33, 655.35, 0.01, 0.03], 0.02),
        ([42_949_672.90, 42_949_672.92, 42_949_672.94, 0.01, 0.04], 0.03),
    ],
    ids=["decimal tenths", "decimal whole", "16 bits at 0.01", "32 bits at 0.01"],
)
def test_a_roll_over_counts_on(register: list[float], wrapped: float) -> None:
    energy, _ = energies(register)
    assert energy[int(np.argmin(register))] == approx(wrapped)


def test_a_register_that_stood_still_near_its_end_and_starts_at_zero_was_reset() -> None:
    energy, _ = energies([653.00, 653.50, 653.50, 653.50, 653.50, 653.50, 0.0, 0.0])
    assert energy[6] == 0.0  # and not the 1.86 to 655.36


@pytest.mark.parametrize("register", [[100.0, 100.2, 60.0, 60.2], [20_000.0, 20_001.0, 300.0, 301.0]])
def test_any_other_fall_is_unknown(register: list[float]) -> None:
    energy, span_s = energies(register)
    assert np.isnan(energy[2])
    assert span_s[2] == 900.0
    assert energy[3] == approx(register[3] - register[2])


@pytest.mark.parametrize("odd", [0.0, 9_999_999.0])
def test_a_single_reading_out_of_line_counts_nothing(odd: float) -> None:
    energy, span_s = energies([5000.0, 5000.1, odd, 5000.2, 5000.4])
    assert energy == approx([NAN, 0.1, NAN, 0.1, 0.2])
    assert span_s == approx([NAN, 900.0, NAN, 1800.0, 900.0])


def test_a_small_register_may_start_again_after_its_first_count() -> None:
    assert energies([0.0, 0.2, 0.4, 0.0, 0.2, 0.4])[0] == approx([NAN, 0.2, 0.2, 0.0, 0.2, 0.2])


DAY = [0.0] * 24 + [round(0.5 * i, 1) for i in range(1, 41)] + [20.0] * 32  # a quarter of an hour each, 20 kWh a day


def test_a_gap_over_the_daily_reset_ends_with_what_was_counted_since() -> None:
    register = DAY * 4
    register[96 * 3 - 20 : 96 * 3 + 34] = [NAN] * 54  # from the evening of the third day to 08:30 of the fourth
    energy, span_s = energies(register)
    assert energy[96 * 3 + 34] == approx(5.5)
    assert span_s[96 * 3 + 34] == approx(35 * QUARTER)
    assert np.nansum(energy) == approx(80.0)


def test_a_gap_over_a_day_tells_of_its_last_day_alone_though_the_register_stands_higher() -> None:
    register = DAY * 4
    register[96 * 2 + 30 : 96 * 3 + 50] = [NAN] * 116
    energy, span_s = energies(register)
    assert energy[96 * 3 + 50] == approx(13.5)  # and not 13.5 less the 3.0 of the day before
    assert span_s[96 * 3 + 50] == approx(51 * QUARTER)


def test_a_daily_register_does_not_roll_over_at_midnight() -> None:
    flat = [round(65.0 / 96 * i, 3) for i in range(1, 97)]  # day and night, nearly to the 65.536 of 16 bits
    energy, _ = energies(flat * 2 + [round(0.5 * v, 3) for v in flat] * 2 + flat * 2)
    assert np.nansum(energy) == approx(65.0 * 5 - flat[0])


def test_a_register_in_use_rolls_over_in_a_step_that_is_faster_than_its_neighbours() -> None:
    register = [65.0, 65.1, 65.2, 65.3, 65.4, 65.5, 0.664, 0.764, 1.564, 1.664]
    assert energies(register)[0][6] == approx(0.7)  # kWh at a resolution of 1 Wh in 16 bits, as fast as a later step


def test_a_register_does_not_roll_over_where_it_has_been_beyond() -> None:
    register = [70.000, 70.001, 65.500, 0.001, 0.002, 0.003]
    assert np.isnan(energies(register)[0][2])
    assert energies(register)[0][3] == approx(0.001)
