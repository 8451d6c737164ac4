"""How small day blocks are, and what they say of damage."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from ingest.readings import Channel, Values
from monitor.store.blocks import DamagedBlock, Day, decode, encode

ROWS = 288
STARTS = 1_718_409_600 + 300 * np.arange(ROWS, dtype=np.int64)  # 15 June 2024


def day_of(values: Values, starts: np.ndarray = STARTS) -> Day:
    channels = tuple(Channel(f"string:s{n:02}", "dc_power", "mean", "W") for n in range(len(values)))
    return Day(starts, channels, values)


def a_summers_day(strings: int = 8) -> Values:
    """Voltage to 0.1 V, current to 0.01 A and power to 1 W of strings under moving clouds."""
    rng = np.random.default_rng(3)
    sun = np.clip(np.sin((np.arange(ROWS) / 12 - 4.5) / 15 * np.pi), 0, None)
    lines = []
    for _ in range(strings):
        cloud = np.clip(0.7 + np.cumsum(rng.normal(0, 0.05, ROWS)), 0.1, 1)
        volts = np.where(sun > 0, np.round(320 + rng.normal(0, 2, ROWS), 1), 0.0)
        amps = np.round(13 * sun * cloud, 2)
        lines += [volts, amps, np.round(volts * amps)]
    return np.array(lines)


def size_of_a_reading(values: Values) -> float:
    return len(encode(day_of(values))) / values.size


def test_decimal_readings_take_less_than_a_byte() -> None:
    values = a_summers_day()
    assert size_of_a_reading(values) < 1.0
    # The same as whole register words times their factor, which often is another double.
    assert size_of_a_reading(np.rint(values * 100) * 0.01) < 1.0


def test_gaps_cost_next_to_nothing() -> None:
    values = a_summers_day()
    full = size_of_a_reading(values)
    values[:, 100:140] = np.nan
    assert size_of_a_reading(values) < full


def test_a_single_odd_value_costs_only_its_own_column() -> None:
    values = a_summers_day()
    plain = len(encode(day_of(values)))
    values[4, 150] = np.pi
    assert len(encode(day_of(values))) - plain < 8 * ROWS


def test_equal_days_are_equal_bytes_however_their_memory_lies() -> None:
    values = a_summers_day()
    assert encode(day_of(np.asfortranarray(values))) == encode(day_of(values))
    assert encode(day_of(np.repeat(values, 2, axis=1)[:, ::2])) == encode(day_of(values))


def test_packing_leaves_the_readings_alone() -> None:
    values = a_summers_day()
    values[2, 7] = np.nan
    before = values.copy()
    encode(day_of(values))
    np.testing.assert_array_equal(values, before)


def test_times_may_be_irregular() -> None:
    starts = STARTS + np.random.default_rng(1).integers(0, 299, ROWS)
    np.testing.assert_array_equal(decode(encode(day_of(a_summers_day(), starts))).starts, starts)


def test_damage_is_told() -> None:
    packed = encode(day_of(a_summers_day()))
    with pytest.raises(DamagedBlock, match="its format is empty, expected 01"):
        decode(b"")
    with pytest.raises(DamagedBlock, match="its format is 02, expected 01"):
        decode(b"\x02" + packed[1:])
    for cut in (1, 5, len(packed) // 2, len(packed) - 1):
        with pytest.raises(DamagedBlock, match="it does not unpack"):
            decode(packed[:cut])


def test_no_flipped_bit_passes_for_a_reading() -> None:
    day = day_of(a_summers_day())
    packed = encode(day)
    for place in range(1, len(packed), 11):
        flipped = bytearray(packed)
        flipped[place] ^= 1 << place % 8
        try:
            back = decode(bytes(flipped))
        except DamagedBlock:
            continue
        # A few bits of a frame's head mean nothing; then all must be as it was.
        np.testing.assert_array_equal(back.values, day.values)


def test_threads_do_not_share_what_packs() -> None:
    days = [day_of(a_summers_day(n)) for n in (1, 4, 8)]
    expected = [encode(day) for day in days]
    failures = []

    def work() -> None:
        for _ in range(30):
            for day, packed in zip(days, expected, strict=True):
                if encode(day) != packed or not np.array_equal(decode(packed).values, day.values):
                    failures.append(day)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
