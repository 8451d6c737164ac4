"""A dark stretch says the more of shade the surer the sun was out; a bank of clouds counts once, not look by look."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.dark_stretches import Stretches, along, stretches
from tests.unit.monitor.model.made_looks import LATITUDE, Weather, house, looks_of

FROM, TO = 150.0, 180.0
BUILT = house(FROM, TO, 60.0)
CLEAR, CLOSED, DULL = 1.0, 0.1, 0.35


def steady(value: float) -> Weather:
    def one(count: int, rng: np.random.Generator) -> np.ndarray:
        return np.full(count, value)

    return one


def told(*values: float, shaded: bool = True) -> Stretches:
    looks = looks_of([steady(v) for v in values], built=BUILT if shaded else None)
    return stretches(looks, np.ones(looks.day.size, dtype=bool), LATITUDE, between=(FROM, TO), beside=0)


def whole(one: Stretches) -> list[float]:
    """What the whole stretch between the two azimuths says, by day."""
    count = one.used.sum(axis=1)
    return [float(one.gain[n, 0, k - 1]) for n, k in enumerate(count)]


def test_dark_between_bright_hours_is_shade_and_bright_is_none() -> None:
    assert whole(told(CLEAR))[0] > 2.0
    assert whole(told(CLEAR, shaded=False))[0] < -2.0


def test_a_closed_day_says_next_to_nothing() -> None:
    assert abs(whole(told(CLOSED, shaded=False))[0]) < 0.5
    assert abs(whole(told(DULL, shaded=False))[0]) < 1.0


def test_a_bank_of_clouds_counts_once() -> None:
    """Twice the hours in the dark say little more: one bank of clouds explains both."""
    one, two = (
        stretches(looks, np.ones(looks.day.size, dtype=bool), LATITUDE, between=(FROM, end), beside=0)
        for end in (165.0, TO)
        for looks in (looks_of([steady(CLEAR)], built=house(FROM, end, 60.0)),)
    )
    assert two.used.sum() >= 1.5 * one.used.sum()
    assert whole(two)[0] < 1.3 * whole(one)[0]


def test_cells_of_which_nothing_was_known_say_nothing() -> None:
    looks = looks_of([steady(CLEAR)], built=BUILT)
    one = stretches(looks, ~BUILT[looks.cell], LATITUDE, between=(FROM, TO), beside=0)
    assert whole(one)[0] == pytest.approx(0.0, abs=1e-9)


def test_azimuth_grows_during_the_day_in_both_halves_of_the_world() -> None:
    np.testing.assert_allclose(along(np.array([90.0, 180.0, 270.0]), 52.0), [90.0, 180.0, 270.0])
    np.testing.assert_allclose(along(np.array([90.0, 0.0, 270.0]), -35.0), [90.0, 180.0, 270.0])
