"""Cloudless stretches are told by the shape of power alone."""

from __future__ import annotations

import numpy as np

from ingest.readings import Values
from monitor.model.clearness import clear_stretches, solar_days
from monitor.model.grid import grid


def bells(days: int) -> Values:
    """Cloudless days: a sine between six and eighteen o'clock."""
    hours = (np.arange(96) + 0.5) / 4.0
    one = 3000.0 * np.maximum(np.sin(np.pi * (hours - 6.0) / 12.0), 0.0)
    return np.tile(one, (days, 1))


def test_clear_days_are_clear_while_power_is_up() -> None:
    clear = clear_stretches(bells(5))
    assert clear[:, 28:68].all()
    assert not clear[:, :24].any()
    assert not clear[:, 72:].any()


def test_rough_days_are_not_clear() -> None:
    power = bells(5)
    power[2] *= np.random.default_rng(1).uniform(0.5, 1.0, 96)
    clear = clear_stretches(power)
    assert not clear[2].any()
    assert clear[1].any()
    assert clear[3].any()


def test_even_overcast_is_not_clear() -> None:
    power = bells(9)
    power[4] *= 0.3
    assert not clear_stretches(power)[4].any()


def test_clear_afternoon_counts_alone() -> None:
    power = bells(5)
    power[2, :48] *= np.random.default_rng(1).uniform(0.3, 0.9, 48)
    clear = clear_stretches(power)[2]
    assert not clear[:47].any()
    assert clear[50:66].all()


def test_limit_is_left_out_stated_or_seen() -> None:
    power = np.minimum(bells(6), 2200.0)
    for clear in (clear_stretches(power), clear_stretches(power, limit_w=2200.0)):
        assert not clear[power >= 2200.0].any()
        assert clear[:, 27:33].any()


def test_gaps_are_not_clear() -> None:
    power = bells(5)
    power[1, 40:44] = np.nan
    clear = clear_stretches(power)
    assert not clear[1, 40:44].any()
    assert clear[1, 50:60].all()


def test_nothing_in_nothing_out() -> None:
    assert not clear_stretches(np.full((3, 96), np.nan)).any()
    assert not clear_stretches(np.zeros((3, 96))).any()


def test_solar_days_keep_daylight_whole_east_and_west() -> None:
    starts = grid(0, 4 * 86400)
    for longitude in (-120.0, 0.0, 150.0):
        solar_hour = (starts / 3600.0 + 0.125 + longitude / 15.0) % 24.0
        days, before = solar_days(starts, solar_hour, longitude)
        assert np.all(np.nan_to_num(np.diff(days, axis=1), nan=0.25) > 0.0)
        assert days.ravel()[before] == solar_hour[0]
