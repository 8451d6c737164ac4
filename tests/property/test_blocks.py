"""Day blocks give back every bit, for whatever readings; and merging them loses none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import Channel, Values
from monitor.store.blocks import Day, decode, encode
from monitor.store.merging import Counts, join, merge, split_days, without_empty

CHANNELS = tuple(Channel(f"string:{name}", "dc_power", "mean", "W") for name in ("ä", "b", "c"))
DAY_S = 86400

any_double = st.integers(0, 2**64 - 1).map(lambda bits: float(np.uint64(bits).view(np.float64)))
decimals = st.builds(lambda mantissa, places: mantissa / 10**places, st.integers(-(10**9), 10**9), st.integers(0, 9))
scaled = st.builds(lambda word, power: word * float(f"1e-{power}"), st.integers(-(2**31), 2**32), st.integers(1, 6))
singles = st.floats(width=32, allow_nan=False)
corners = st.sampled_from([0.0, -0.0, 5e-324, 2.0**53 + 2, 2.0**63, -(2.0**63), float("inf"), -float("inf")])
kinds = [any_double, decimals, decimals.map(lambda x: round(x, 2)), scaled, singles, corners]
# A column is of one kind, or a mixture, and may have gaps.
columns = st.sampled_from([*kinds, st.one_of(kinds)]).flatmap(
    lambda kind: st.sampled_from([kind, st.one_of(kind, st.just(float("nan")))])
)


@st.composite
def days(draw: st.DrawFn) -> Day:
    """Readings of one day, all but empty rows and columns."""
    rows = draw(st.integers(1, 40))
    starts = np.array(sorted(draw(st.sets(st.integers(0, DAY_S - 1), min_size=rows, max_size=rows))), dtype=np.int64)
    values = [draw(st.lists(draw(columns), min_size=rows, max_size=rows)) for _ in CHANNELS]
    return without_empty(Day(starts + 20_000 * DAY_S, CHANNELS, _one_gap(np.array(values))))


def _one_gap(values: Values) -> Values:
    """A gap is a gap: the payload of a NaN is not kept."""
    return np.where(np.isnan(values), np.nan, values)


def _equal(left: Day, right: Day) -> bool:
    return (
        left.channels == right.channels
        and left.starts.tobytes() == right.starts.tobytes()
        and np.ascontiguousarray(left.values).tobytes() == np.ascontiguousarray(right.values).tobytes()
    )


@settings(max_examples=200, deadline=None)
@given(days())
def test_a_day_comes_back_bit_by_bit(day: Day) -> None:
    if not day.channels:
        return
    packed = encode(day)
    back = decode(packed)
    assert _equal(back, day)
    assert encode(back) == packed


def test_values_that_a_sample_takes_for_decimal_come_back_too() -> None:
    values = np.round(np.linspace(0, 50, 288), 2)
    for place in range(0, 288, 7):
        odd = values.copy()
        odd[place] += 1e-9
        day = Day(300 * np.arange(288, dtype=np.int64), CHANNELS[:2], np.stack([odd, values]))
        assert _equal(decode(encode(day)), day)


# --- merging, against a dictionary ------------------------------------------------------------------------------------

Readings = dict[tuple[Channel, int], float]
places = st.tuples(st.sampled_from(CHANNELS), st.integers(0, 12).map(lambda slot: slot * 300))
readings = st.dictionaries(places, st.sampled_from([0.0, -0.0, 1.5, 2.5]), min_size=1)


def _day(known: Readings) -> Day:
    channels = tuple(sorted({channel for channel, _ in known}))
    starts = sorted({start for _, start in known})
    values = [[known.get((channel, start), np.nan) for start in starts] for channel in channels]
    return Day(np.array(starts, dtype=np.int64), channels, np.array(values))


def _bits(value: float) -> bytes:
    return np.float64(value).tobytes()


@settings(max_examples=150, deadline=None)
@given(st.lists(readings, min_size=2, max_size=5))
def test_merged_days_hold_the_last_value_of_every_reading(parts: Sequence[Readings]) -> None:
    known, day = dict(parts[0]), _day(parts[0])
    for part in parts[1:]:
        met = part.keys() & known.keys()
        same = sum(_bits(part[key]) == _bits(known[key]) for key in met)
        day, counts = merge(day, _day(part))
        assert counts == Counts(len(part) - len(met), same, len(met) - same)
        known |= part
        assert day.readings == len(known)
    assert _equal(day, _day(known))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 5), readings), min_size=1, max_size=4, unique_by=lambda part: part[0]))
def test_days_that_are_joined_and_split_are_the_same_days(parts: list[tuple[int, Readings]]) -> None:
    given_days = {}
    for number, part in sorted(parts, key=lambda item: item[0]):
        day = _day(part)
        given_days[number] = Day(day.starts + number * DAY_S, day.channels, day.values)
    found = dict(split_days(join(given_days.values())))
    assert found.keys() == given_days.keys()
    assert all(_equal(found[number], given_days[number]) for number in found)
