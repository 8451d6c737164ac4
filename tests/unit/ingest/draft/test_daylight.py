"""A signal against the sun, whose height here is a plain cosine: up from 06:00 to 18:00."""

from __future__ import annotations

import numpy as np

from ingest.draft.daylight import fit_to_sun
from ingest.readings import Seconds, Values

DAY = 86_400
TIMES = np.arange(0, 3 * DAY, 900, dtype=np.int64)


def elevation(times: Seconds) -> Values:
    return np.asarray(60.0 * np.sin(2 * np.pi * (times / DAY - 0.25)))


def light(times: Seconds) -> Values:
    return np.maximum(elevation(times), 0.0)


def test_a_signal_of_the_sun_fits() -> None:
    fit = fit_to_sun(TIMES, light(TIMES), elevation)
    assert fit is not None
    assert fit.fits
    assert abs(fit.shift_s) <= 600
    assert fit.night_share == 0.0


def test_a_clock_that_is_an_hour_slow_is_found() -> None:
    fit = fit_to_sun(TIMES, light(TIMES + 3600), elevation)
    assert fit is not None
    assert fit.is_off
    assert abs(fit.shift_s - 3600) <= 600
    assert fit.night_share > 0.05


def test_a_clock_half_a_day_off_is_found() -> None:
    fit = fit_to_sun(TIMES, light(TIMES - 11 * 3600), elevation)
    assert fit is not None
    assert abs(fit.shift_s + 11 * 3600) <= 600


def test_dead_days_do_not_hide_the_others() -> None:
    signal = light(TIMES + 3600)
    signal[TIMES >= DAY] = 0.0
    fit = fit_to_sun(TIMES, signal, elevation)
    assert fit is not None
    assert fit.is_off


def test_a_few_hours_tell_nothing() -> None:
    noon = (TIMES >= DAY * 0.4) & (TIMES < DAY * 0.6)
    assert fit_to_sun(TIMES[noon], light(TIMES[noon]), elevation) is None
    assert fit_to_sun(TIMES, np.zeros(TIMES.size), elevation) is None
