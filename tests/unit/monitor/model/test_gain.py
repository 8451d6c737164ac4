"""Learning a gain: from clear windows, in spite of clouds, and only from what tells something."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.gain import NAMEPLATE, DayRatio, clear_ratio, energy_ratio, learn_gains
from monitor.model.grid import grid
from monitor.model.physics import site_physics
from tests.unit.monitor.conftest import made_site

JUNE = 1_782_000_000 // 86400 * 86400
CLEAR = site_physics(made_site(), grid(JUNE, JUNE + 86400)).clear_w("string:s1")


@given(st.floats(0.7, 1.15))
def test_a_clear_day_gives_the_gain_back(gain: float) -> None:
    assert clear_ratio(gain * CLEAR, CLEAR, rated_w=6000.0) == pytest.approx(gain, rel=1e-6)


def test_a_clear_day_at_half_the_power_is_seen_where_it_is_looked_for() -> None:
    assert clear_ratio(0.5 * CLEAR, CLEAR, rated_w=6000.0) is None
    assert clear_ratio(0.5 * CLEAR, CLEAR, rated_w=6000.0, levels=(0.4, 1.3)) == pytest.approx(0.5, rel=1e-6)


def test_clouds_in_the_afternoon_leave_the_morning() -> None:
    power = 0.9 * CLEAR
    rng = np.random.default_rng(1)
    power[52:] *= rng.uniform(0.2, 1.0, power[52:].size)
    assert clear_ratio(power, CLEAR, rated_w=6000.0) == pytest.approx(0.9, rel=0.02)


def test_a_day_of_broken_clouds_tells_nothing() -> None:
    rng = np.random.default_rng(2)
    assert clear_ratio(CLEAR * rng.uniform(0.3, 1.1, CLEAR.size), CLEAR, rated_w=6000.0) is None
    assert clear_ratio(np.full(96, np.nan), CLEAR, rated_w=6000.0) is None


def test_even_haze_does_not_pass_for_the_clear_sky() -> None:
    days = [DayRatio(0.95, None, None)] * 6 + [DayRatio(0.7, None, None)] * 4
    assert learn_gains(days).clear_sky == pytest.approx(0.95)


def test_learning_is_complete_only_with_enough_days() -> None:
    few = learn_gains([DayRatio(0.9, None, None)] * 5)
    many = learn_gains([DayRatio(0.9, None, None)] * 8)
    assert (few.complete, many.complete) == (False, True)
    assert NAMEPLATE.sigma > few.sigma > many.sigma
    weather_too = learn_gains([DayRatio(0.9, None, 0.8)] * 8)
    assert not weather_too.complete
    assert weather_too.weather == pytest.approx(0.8)


def test_nothing_learned_is_the_nameplate() -> None:
    assert learn_gains([DayRatio(None, None, None)] * 70).clear_sky == 1.0
    assert not learn_gains([DayRatio(None, None, None)] * 70).complete


def test_energy_ratio_uses_known_intervals_only() -> None:
    power = 0.8 * CLEAR
    power[:50] = np.nan
    assert energy_ratio(power, CLEAR, rated_w=4000.0) == pytest.approx(0.8)
    assert energy_ratio(np.full(96, np.nan), CLEAR, rated_w=4000.0) is None
