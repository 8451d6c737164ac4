"""When an inverter counts as held back, and when it does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.readings import Mask, Values
from monitor.detect.flat_top import at_level, flat_top, habits
from monitor.detect.held import held_back, observe_tops
from monitor.detect.night import SiteNight
from monitor.detect.observe import observe
from monitor.detect.raised_volts import observe_volts
from tests.unit.monitor.detect.limited import (
    AC,
    EXPORT,
    GRID_VOLTS,
    JUNE,
    POWER,
    VOLTS,
    clear_day,
    history,
    home,
    limited_to,
    night_of,
    times,
)  # fmt: skip

NOON = slice(44, 60)  # quarters of an hour around a June day's noon


def held(night: SiteNight) -> Mask:
    return held_back(night, "inv1")


def flat_levels(night: SiteNight) -> dict[str, float]:
    return {subject: kept["flat_w"] for subject, kept in observe_tops(night).items() if "flat_w" in kept}


def test_a_cloudless_day_without_limits_is_free_in_every_channel() -> None:
    site = home()
    night = night_of(site, clear_day(site))
    assert not held(night).any()
    assert flat_levels(night) == {}


def test_power_at_the_rating_is_held() -> None:
    site = home(rated_ac_w=5000.0)
    night = night_of(site, limited_to(clear_day(site), 5000.0))
    assert held(night)[NOON].all()
    assert not np.delete(held(night), slice(30, 80)).any()


def test_a_level_below_the_rating_is_held_once_it_is_a_habit() -> None:
    site = home(strings=1, rated_ac_w=3800.0)
    night = night_of(site, limited_to(clear_day(site), 2600.0))
    level = flat_levels(night)["inverter:inv1"]
    assert level == pytest.approx(2600.0, rel=0.005)
    assert not held(night).any()  # a single string's voltage alone is no proof
    again = replace(night, past=history(site, JUNE, {"inverter:inv1": {"flat_w": level}}))
    assert held(again)[NOON].all()
    assert not held(again)[:30].any()


@pytest.mark.parametrize(("share", "limited"), [(0.95, True), (0.8, True), (0.6, True), (1.0, False)])
def test_voltage_that_is_raised_on_every_string_tells_of_any_limit(share: float, *, limited: bool) -> None:
    site = home()
    day = clear_day(site)
    # A limit that moves (a fan that fails, a volt-watt curve) has no level.
    strong = day[AC] > 0.7 * day[AC].max()
    limited_day = limited_to(day, np.where(strong, share * day[AC], 1e6))
    night = night_of(site, limited_day)
    quarter = strong.reshape(-1, 3).all(axis=1)
    assert (held(night)[quarter].mean() > 0.8) == limited
    assert not held(night)[~strong.reshape(-1, 3).any(axis=1)].any()


def test_a_bypassed_substring_and_an_open_string_are_no_limits() -> None:
    site = home()
    bypassed = clear_day(site)
    bypassed[VOLTS["s2"]] = 0.966 * bypassed[VOLTS["s2"]]
    bypassed[POWER["s2"]] = 0.965 * bypassed[POWER["s2"]]
    assert not held(night_of(site, bypassed)).any()
    opened = clear_day(site)
    opened[VOLTS["s2"]] = 1.22 * opened[VOLTS["s2"]]
    opened[POWER["s2"]] = 0.0 * opened[POWER["s2"]]
    opened[AC] = opened[AC] / 2.0
    assert not held(night_of(site, opened)).any()


def test_a_cold_day_raises_voltages_and_is_no_limit() -> None:
    site = home()
    cold = clear_day(site)
    for name in ("s1", "s2"):
        cold[VOLTS[name]] = 1.055 * cold[VOLTS[name]]
    night = night_of(site, cold)
    assert observe_volts(night)["string:s1"]["volt_off"] > 0.045
    assert not held(night).any()


def test_export_at_the_stated_limit_is_held_by_its_meter() -> None:
    site = home(export_limit_w=3680.0)
    night = night_of(site, limited_to(clear_day(site), 3980.0))
    assert held(night)[NOON].all()
    free = night_of(site, limited_to(clear_day(site, sky=0.5), 3980.0))
    assert not held(free).any()


def test_without_an_export_meter_the_voltage_decides_and_without_that_the_doubt_counts() -> None:
    site = home(export_limit_w=3680.0)
    day = limited_to(clear_day(site), 4200.0)
    del day[EXPORT]
    assert held(night_of(site, day))[NOON].all()
    unlimited = clear_day(site)
    del unlimited[EXPORT]
    assert not held(night_of(site, unlimited)).any()
    for name in ("s1", "s2"):
        del unlimited[VOLTS[name]]
    doubtful = held(night_of(site, unlimited))
    quarters = unlimited[AC].reshape(-1, 3).mean(axis=1)
    np.testing.assert_array_equal(doubtful, quarters >= 0.97 * 3680.0)


def test_a_high_grid_voltage_holds_this_reading_and_the_next() -> None:
    site = home()
    day = clear_day(site)
    at = int(np.searchsorted(times(site), times(site)[0] + 12 * 3600))
    day[GRID_VOLTS][at + 2] = 252.5
    found = held(night_of(site, day))
    assert np.flatnonzero(found).tolist() == [at // 3, at // 3 + 1]


def test_what_was_worked_out_once_a_night_is_the_same() -> None:
    site = home(rated_ac_w=5000.0)
    night = night_of(site, limited_to(clear_day(site), 5000.0))
    np.testing.assert_array_equal(held(observe(night)), held(night))


def curve(minutes: int, *, spread: float = 0.0) -> tuple[Values, Values, Values]:
    """Begins, ends and power of a cloudless day of sixteen hours."""
    begins = np.arange(4 * 3600, 20 * 3600, 60 * minutes)
    mid = (begins + 30 * minutes) / 3600.0
    return begins, begins + 60 * minutes, 4000.0 * np.sin(np.pi * (mid - 4.0) / 16.0) ** (1.0 - spread)


@pytest.mark.parametrize("minutes", [1, 5, 15])
@pytest.mark.parametrize("spread", [0.0, 0.6, 0.9])
def test_the_top_of_a_cloudless_day_is_round_however_flat_the_roof_makes_it(minutes: int, spread: float) -> None:
    begins, ends, power = curve(minutes, spread=spread)
    noise = 1.0 + 0.002 * np.random.default_rng(1).standard_normal(power.size)
    assert flat_top(begins, ends, power * noise, power, least_w=100.0) is None


@pytest.mark.parametrize("minutes", [1, 5, 15])
def test_a_limit_makes_it_flat_under_clouds_too(minutes: int) -> None:
    begins, ends, power = curve(minutes)
    clouds = np.where(np.arange(power.size) % 40 < 25, 1.0, 0.4)
    for sky in (1.0, clouds):
        level = flat_top(begins, ends, np.minimum(sky * power, 3000.0), power, least_w=100.0)
        assert level == pytest.approx(3000.0, rel=0.002)


def test_habits_are_levels_of_three_days_and_more() -> None:
    assert habits([3680.0, 3671.0]) == []
    assert habits([3000.0, 3100.0, 3200.0, 3300.0]) == []
    assert habits([5000.0] * 4 + [3680.0, 3681.0, 3679.0, 4200.0]) == [5000.0, 3680.0]


def test_samples_above_a_level_make_it_a_level_of_runs_only() -> None:
    power = np.array([900.0, 1000.0, 1300.0, 1000.0, 1001.0, 999.0, 1002.0, 700.0])
    assert at_level(power, 1000.0).tolist() == [False, False, False, True, True, True, True, False]
    assert at_level(np.minimum(power, 1003.0), 1000.0).tolist() == [False, *[True] * 6, False]
