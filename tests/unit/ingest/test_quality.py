"""Marks on readings: each known fault is marked, and what healthy roofs do is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ingest.quality import Limits, Mark, Marks, Rating, limits_for, mark_table
from ingest.readings import Channel, Seconds, Table, Values

STEP_S = 300
DAY = 86_400
ROWS = DAY // STEP_S
STARTS: Seconds = 20_000 * DAY + STEP_S * np.arange(ROWS, dtype=np.int64)
RATED = 3600.0
AC = Channel("inverter:inv1", "ac_power", "mean", "W")
AC_KW = Channel("inverter:inv1", "ac_power", "mean", "kW")
COUNTER = Channel("inverter:inv1", "ac_energy", "counter", "kWh")
AMPS = Channel("string:s1", "dc_current", "mean", "A")
VOLTS = Channel("string:s1", "dc_voltage", "mean", "V")
PRODUCT = Channel("string:s1", "dc_power", "mean", "W")
POA = Channel("site", "irradiance_poa", "mean", "W/m2")
GHI = Channel("site", "irradiance_ghi", "mean", "W/m2")
AIR = Channel("site", "temperature_air", "mean", "degC")
WIND = Channel("site", "wind_speed", "mean", "m/s")
SOC = Channel("battery", "battery_soc", "mean", "%")
STRING = Rating(4000.0, voltage_v=465.0, current_a=12.9, chains=10)
INVERTER = Rating(RATED, tops_w=(RATED,))
RATINGS = {"inverter:inv1": INVERTER, "string:s1": STRING}


def marked(columns: dict[Channel, Values], *, starts: Seconds = STARTS, interval_s: int = STEP_S) -> Marks:
    limits: dict[Channel, Limits] = {}
    for channel in (*columns, PRODUCT):
        found = limits_for(channel, RATINGS.get(channel.subject, Rating()), interval_s=interval_s)
        if found is not None:
            limits[channel] = found
    return mark_table(Table(starts, columns), limits, interval_s=interval_s, local=starts)


def rows_with(marks: Marks, channel: Channel, mark: Mark) -> list[int]:
    flags = marks.flags.get(channel)
    return [] if flags is None else np.flatnonzero(flags & mark).tolist()


def hump(top: float, *, first_h: float = 4.5, last_h: float = 19.5) -> Values:
    """A clear day's curve."""
    hour = STEP_S * np.arange(ROWS) / 3600.0
    return np.asarray(top * np.maximum(np.sin(np.pi * (hour - first_h) / (last_h - first_h)), 0.0) ** 1.2 * (hour < 20))


def clear_day(top: float = 3300.0, seed: int = 1) -> Values:
    """A clear day as an inverter shows it: whole watts, a little noise."""
    noise = 1.0 + 0.003 * np.random.default_rng(seed).standard_normal(ROWS)
    return np.asarray(np.round(hump(top) * noise))


def broken_clouds(top: float = 3300.0, seed: int = 2) -> Values:
    """A day of quickly changing clouds."""
    rng = np.random.default_rng(seed)
    return np.asarray(np.round(hump(top) * np.where(rng.random(ROWS) < 0.5, rng.uniform(0.12, 0.3, ROWS), 1.0)))


# What healthy roofs do ---------------------------------------------------------------------------------------


def gloom() -> Values:
    return np.round(hump(260.0) + 3.0 * np.random.default_rng(5).standard_normal(ROWS) * (hump(1.0) > 0.05))


def snow_covered() -> Values:
    return np.where(hump(1.0) > 0.2, 35.0, 0.0)


def night_consumption() -> Values:
    return np.where(hump(1.0) > 0.0, clear_day(), -9.0)


def tripped() -> Values:
    power = clear_day()
    power[130:150] = 0.0
    power[160:200:2] = 0.0  # and trips again and again
    return power


def limited_at(level: float) -> Callable[[], Values]:
    return lambda: np.minimum(clear_day(), level)


def clipped_with_a_peak() -> Values:
    """The rating is held for hours, and passed for a moment at a cloud's edge."""
    power = np.minimum(np.round(hump(4700.0)), RATED)
    power[186] = 1.03 * RATED
    return power


def haze_at_noon(step_w: float) -> Callable[[], Values]:
    """A coarse curve with a top of its own in the haze, below what a clear afternoon gives."""
    haze = np.where(np.arange(ROWS) < 170, 0.5, 1.0)
    return lambda: np.round(hump(3300.0) * haze / step_w) * step_w


HEALTHY: dict[str, Callable[[], Values]] = {
    "clear": clear_day,
    "broken clouds": broken_clouds,
    "gloom": gloom,
    "fog, in steps of 10 W": lambda: np.round(hump(300.0), -1),
    "steps of 100 W": lambda: np.round(hump(3000.0), -2),
    "steps of 10 W": lambda: np.round(clear_day(), -1),
    "clipped at the rating": lambda: np.minimum(np.round(hump(4700.0)), RATED),
    "clipped 2 per cent above the rating": lambda: np.minimum(np.round(hump(4700.0)), 1.02 * RATED),
    "clipped, with a peak": clipped_with_a_peak,
    "haze at noon, in steps of 10 W": haze_at_noon(10.0),
    "haze at noon, in steps of 20 W": haze_at_noon(20.0),
    "haze at noon, in steps of 100 W": haze_at_noon(100.0),
    "new values every half hour only": lambda: np.repeat(clear_day()[::6], 6),
    "limited by a setting": limited_at(2500.0),
    "snow": snow_covered,
    "tripped": tripped,
    "dead": lambda: np.zeros(ROWS),
    "off, with the noise of its meter": lambda: np.full(ROWS, 4.0),
    "night consumption": night_consumption,
    "gaps": lambda: np.where(np.arange(ROWS) % 50 < 20, np.nan, clear_day()),
}


@pytest.mark.parametrize("kind", HEALTHY)
def test_what_a_healthy_inverter_shows_has_no_mark(kind: str) -> None:
    power = HEALTHY[kind]()
    assert marked({AC: power, AIR: 12.0 + hump(8.0)}).summary() == ()


@pytest.mark.parametrize("kind", HEALTHY)
def test_nor_has_it_in_kilowatts_with_a_counter_beside_it(kind: str) -> None:
    power = HEALTHY[kind]() / 1000.0
    counter = np.round(2814.0 + np.cumsum(np.nan_to_num(np.maximum(power, 0.0)) * STEP_S / 3600.0), 2)
    assert marked({AC_KW: power, COUNTER: counter}).summary() == ()


def test_a_dead_string_is_a_fault_of_the_roof_and_has_no_mark() -> None:
    for volts in (np.round(390.0 - hump(20.0), 1), np.full(ROWS, 372.0), np.zeros(ROWS)):
        assert marked({VOLTS: volts, AMPS: np.zeros(ROWS), AC: clear_day(1600.0)}).summary() == ()


def test_a_full_battery_and_a_calm_have_no_mark() -> None:
    assert marked({SOC: np.full(ROWS, 100.0), WIND: np.zeros(ROWS), AC: clear_day()}).summary() == ()


def test_an_hourly_series_repeated_every_quarter_of_an_hour_has_no_mark() -> None:
    hourly = np.repeat(np.round(hump(820.0)[::12]), 4)
    starts = STARTS[0] + 900 * np.arange(96)
    assert marked({GHI: hourly}, starts=starts, interval_s=900).summary() == ()


def test_a_cap_that_is_ordered_for_an_hour_agrees_with_its_counter() -> None:
    power = clear_day()
    power[135:150] = 1800.0
    counter = 500.0 + np.cumsum(power * STEP_S / 3.6e6)
    assert marked({AC: power, COUNTER: counter}).summary() == ()
    assert rows_with(marked({AC: power}), AC, Mark.STUCK) == list(range(135, 150))


# What is wrong ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "value"),
    [
        (AC, 65_535.0), (AC, 1.1 * RATED), (AC, -250.0), (AMPS, 300.0), (AMPS, -8.0), (VOLTS, 6553.5), (POA, 1501.0),
        (POA, -20.0), (AIR, 51.0), (AIR, -40.0), (WIND, 60.0), (SOC, 101.0),
    ],
)  # fmt: skip
def test_out_of_range(channel: Channel, value: float) -> None:
    column = {AC: clear_day(), AMPS: clear_day() / 300, VOLTS: 300 + hump(20), POA: hump(950.0), SOC: 40 + hump(50)}
    values = column.get(channel, 10.0 + hump(10.0)).copy()
    values[100] = value
    assert rows_with(marked({channel: values}), channel, Mark.RANGE) == [100]


def test_volts_times_amperes_beyond_the_string_are_marked_on_both() -> None:
    volts, amps = 300.0 + hump(10.0), np.round(hump(10.0), 2)
    amps[150] = 40.0
    marks = marked({VOLTS: volts, AMPS: amps})
    assert rows_with(marks, AMPS, Mark.RANGE) == rows_with(marks, VOLTS, Mark.RANGE) == [150]


def test_a_spike_comes_back_at_once_and_a_trip_is_none() -> None:
    power = gloom()
    power[140] = 3500.0
    power[180:] = 0.0
    assert rows_with(marked({AC: power}), AC, Mark.SPIKE) == [140]
    air = 12.0 + hump(8.0)
    air[[40, 200]] += (-9.0, 9.0)
    assert rows_with(marked({AIR: air}), AIR, Mark.SPIKE) == [40, 200]


def test_sun_that_comes_out_to_stay_is_no_spike() -> None:
    power = np.where(np.arange(ROWS) < 140, 0.08, 1.0) * hump(3500.0)
    assert marked({AC: np.round(power)}).summary() == ()


@pytest.mark.parametrize("first", [85, 100, 180])
def test_stuck_in_the_middle_of_the_day(first: int) -> None:
    power = clear_day()
    power[first : first + 12] = power[first]
    marks = marked({AC: power})
    assert rows_with(marks, AC, Mark.STUCK) == list(range(first, first + 12))
    (only,) = marks.summary()
    assert str(only).startswith("inverter:inv1 ac_power: 12 readings stuck, 2024-10-04 ")


def test_stuck_at_the_top_until_midnight_is_no_plateau() -> None:
    power = clear_day()
    power[140:] = power.max()
    assert rows_with(marked({AC: power}), AC, Mark.STUCK) == list(range(140, ROWS))


def test_stuck_at_the_top_while_the_strings_go_down() -> None:
    power, volts, amps = clear_day(), 300.0 + hump(9.0), np.round(hump(11.0), 2)
    power[144:200] = power[:200].max()
    marks = marked({AC: power, VOLTS: volts, AMPS: amps})
    assert rows_with(marks, AC, Mark.STUCK) == list(range(144, 200))
    assert set(marks.flags) == {AC}


def test_a_logger_that_repeats_its_rows_is_stuck_in_every_channel_and_its_counter() -> None:
    power, volts, amps = clear_day(), np.round(300.0 + clear_day() / 900, 1), np.round(clear_day() / 300, 2)
    counter = np.round(100.0 + np.cumsum(power * STEP_S / 3.6e6), 2)
    columns = {AC: power, VOLTS: volts, AMPS: amps, COUNTER: counter}
    for values in columns.values():
        values[120:132] = values[120]
    marks = marked(columns)
    assert {c: rows_with(marks, c, Mark.STUCK) for c in columns} == dict.fromkeys(columns, list(range(120, 132)))


def test_a_constant_all_day_is_a_dead_channel_where_others_move() -> None:
    amps = np.full(ROWS, 6.1)
    marks = marked({AMPS: amps, AC: clear_day()})
    assert rows_with(marks, AMPS, Mark.DEAD) == list(range(ROWS))
    volts = {VOLTS: np.full(ROWS, 310.0), AMPS: np.round(hump(9.0), 2)}
    assert rows_with(marked(volts), VOLTS, Mark.DEAD) == list(range(ROWS))
    assert rows_with(marked({AIR: np.zeros(ROWS), POA: hump(900.0)}), AIR, Mark.DEAD) == list(range(ROWS))
    assert marked({AIR: np.zeros(ROWS)}).summary() == ()  # nobody is there to say that the day was another


def test_energies_of_intervals_are_judged_as_powers_of_their_real_length() -> None:
    energy = Channel("inverter:inv1", "ac_energy", "interval", "Wh")
    wh = np.round(clear_day() * 900 / 3600.0, 1)[::3]
    starts = STARTS[::3]
    assert marked({energy: wh}, starts=starts, interval_s=300).summary() == ()
    wh[50] = 1200.0
    assert rows_with(marked({energy: wh}, starts=starts, interval_s=300), energy, Mark.RANGE) == [50]


def test_a_days_marks_do_not_depend_on_the_days_around_it() -> None:
    days = [clear_day(), broken_clouds(), np.round(hump(300.0), -1), clear_day(seed=9)]
    days[0][100:112] = days[0][100]
    days[1][150] = 9000.0
    days[3][60:66] = days[3][60]
    starts = STARTS[0] + STEP_S * np.arange(4 * ROWS)
    whole = marked({AC: np.concatenate(days)}, starts=starts).flags[AC].reshape(4, ROWS)
    for n, day in enumerate(days):
        alone = marked({AC: day}, starts=starts[n * ROWS : (n + 1) * ROWS]).flags.get(AC, np.zeros(ROWS, np.uint8))
        np.testing.assert_array_equal(whole[n], alone)
    assert whole[0].any()
    assert whole[1].any()


def test_a_run_is_not_put_together_across_midnight() -> None:
    days = [broken_clouds(), broken_clouds(seed=8)]
    days[0][-4:] = days[1][:4] = 1500.0
    starts = STARTS[0] + STEP_S * np.arange(2 * ROWS)
    assert marked({AC: np.concatenate(days)}, starts=starts).summary() == ()
    days[0][-8:] = 1500.0
    assert rows_with(marked({AC: np.concatenate(days)}, starts=starts), AC, Mark.STUCK) == list(range(ROWS - 8, ROWS))


def test_rows_of_other_shifts_between_the_readings_change_nothing() -> None:
    power = clear_day()
    power[100:112] = power[100]
    starts = np.sort(np.concatenate([STARTS, STARTS + 150]))
    mean, counter = np.full(2 * ROWS, np.nan), np.full(2 * ROWS, np.nan)
    mean[::2], counter[1::2] = power, 5.0
    assert rows_with(marked({AC: mean, COUNTER: counter}, starts=starts), AC, Mark.STUCK) == list(range(200, 224, 2))


def test_marks_of_a_part_and_their_summary() -> None:
    power = clear_day()
    power[[100, 120]] = 65_535.0
    marks = marked({AC: power})
    (found,) = marks.between(int(STARTS[110]), int(STARTS[200])).summary()
    assert (found.count, found.first, found.last) == (1, STARTS[120], STARTS[120])
    assert str(found) == "inverter:inv1 ac_power: 1 reading out of range, 2024-10-04 10:00 UTC"
    assert marks.between(0, int(STARTS[50])).summary() == ()
