"""What a site's history remembers: every number of every day, for as long as it says, in memory that does not grow."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.gain import DayRatio, learn_gains
from monitor.model.history import MEMORY_DAYS, RECENT_NIGHTS, DayNote, SiteHistory
from monitor.model.numbers import Nights, NumberStore

FIRST = date(2025, 1, 1)
NIGHTS = st.lists(
    st.dictionaries(st.sampled_from("abcdefghij"), st.none() | st.floats(width=32), max_size=5), max_size=90
)


def note(
    n: int, subject: str = "site", expected: float | None = 10.0, usable: float = 1.0, **features: float | None
) -> DayNote:
    low, high = (None, None) if expected is None else (expected - 1.0, expected + 1.0)
    return DayNote(FIRST + timedelta(n), subject, expected, low, high, usable, features, measured_kwh=9.0)


def finite(value: float | None) -> bool:
    return value is not None and bool(np.isfinite(value))


@given(NIGHTS, st.integers(1, 40))
def test_a_store_holds_what_a_plain_list_would(nights: list[Mapping[str, float | None]], memory: int) -> None:
    store = NumberStore()
    for day, values in enumerate(nights):
        store.add(day, values)
        store.forget(day - memory + 1)
    kept = list(enumerate(nights))[-memory:]
    assert store.days.tolist() == [day for day, _ in kept]
    for name in "abcdefghij":
        known = [values[name] for _, values in kept if finite(values.get(name))]
        assert store.nights().known(name).tolist() == known
        assert len(store.nights().having(name)) == len(known)
    assert store.nights().named("") == sorted({n for _, v in kept for n in v if finite(v[n])})


@given(NIGHTS)
def test_nights_are_the_same_from_mappings_and_from_a_store(nights: list[Mapping[str, float | None]]) -> None:
    store = NumberStore()
    for day, values in enumerate(nights):
        store.add(day, values)
    plain = Nights.of(nights)
    for name in "abcdefghij":
        np.testing.assert_array_equal(plain.column(name), store.nights().column(name))
        assert plain.last(name) == store.nights().last(name)


def test_what_was_handed_out_stays_as_it_was() -> None:
    store = NumberStore()
    store.add(1, {"a": 1.0})
    before = store.nights()
    for day in range(2, 200):
        store.add(day, {"a": 2.0, f"b{day}": 3.0})
    assert (len(before), before.known("a").tolist(), before.known("b2").size) == (1, [1.0], 0)


def test_nights_out_of_order_are_refused() -> None:
    store = NumberStore()
    store.add(5, {})
    with pytest.raises(ValueError, match="nights come one after the other: got day 5 after 5"):
        store.add(5, {})


def test_memory_is_flat_once_it_is_full_and_names_that_are_gone_are_forgotten() -> None:
    store = NumberStore()
    sizes = []
    for day in range(2000):
        store.add(day, {"a": 1.0, f"says:{day // 400}": 1.0})
        store.forget(day - 449)
        sizes.append(store._table.nbytes)
    assert max(sizes[600:]) == max(sizes[1000:]) <= 450 * 1.1 * 12 * 4
    assert store.nights().named("says:") == ["says:3", "says:4"]


def test_a_series_has_the_days_on_which_a_number_was_kept() -> None:
    history = SiteHistory()
    for n, level in enumerate([1.0, None, 0.5]):
        history.add([note(n, "string:s1", level=level), note(n, "site")])
    days, values = history.series("string:s1", "level")
    assert (days.dtype, values.dtype) == (np.int64, np.float64)
    assert days.tolist() == [FIRST.toordinal(), FIRST.toordinal() + 2]
    assert values.tolist() == [1.0, 0.5]
    assert [history.series("string:s1", f"{name}_kwh")[1][0] for name in ("expected", "expected_low", "measured")] == [
        10.0, 9.0, 9.0,
    ]  # fmt: skip
    assert history.series("string:s1", "unheard of")[0].size == history.series("string:s9", "level")[0].size == 0
    assert set(history.subjects()) == {"string:s1", "site"}


def test_days_and_subjects_beyond_the_memory_are_forgotten() -> None:
    history = SiteHistory()
    history.add([note(0, "meter:old")])
    for n in range(1, MEMORY_DAYS + 20):
        history.add([note(n)])
    days, _ = history.series("site", "usable")
    assert (days.size, days[-1] - days[0]) == (MEMORY_DAYS, MEMORY_DAYS - 1)
    assert history.subjects() == ("site",)
    assert history.last_day() == FIRST + timedelta(MEMORY_DAYS + 19)


def test_gains_are_those_of_the_recent_learning_days_before_the_day() -> None:
    history, ratios = SiteHistory(), []
    for n in range(RECENT_NIGHTS + 30):
        ratio = None if n % 3 else 0.875 + (n % 7) / 64.0
        history.add([note(n, "string:s1", clear_sky=ratio, weather=1.125, learn=1.0 if n % 5 else None)])
        ratios.append(DayRatio(ratio, None, 1.125) if n % 5 else None)
    last = FIRST + timedelta(RECENT_NIGHTS + 29)
    for day, end in ((last + timedelta(1), None), (last, -1)):
        recent = ratios[:end][-RECENT_NIGHTS:]
        expected = learn_gains([r for r in recent if r])
        assert history.gains("string:s1", day) == expected
    assert history.learning_days("string:s1")[-1] == last
    assert len(history.learning_days("string:s1")) == sum(r is not None for r in ratios[-RECENT_NIGHTS:])


def test_experience_is_by_source_and_needs_both_numbers() -> None:
    history = SiteHistory()
    days: list[dict[str, float | None]] = [
        {"off:neighbours": 0.5, "clearness": 0.25},
        {"off:neighbours": None, "clearness": 0.5},
        {"off:weather": -0.5, "clearness": 0.75},
        {"off:weather": 0.5},
    ]
    for n, features in enumerate(days):
        history.add([note(n, "string:s1", **features)])
    told = history.experience("string:s1")
    assert {source: (o.deviation.tolist(), o.clearness.tolist()) for source, o in told.items()} == {
        "neighbours": ([0.5], [0.25]),
        "weather": ([-0.5], [0.75]),
    }


def test_suspicion_goes_back_to_the_last_healthy_night() -> None:
    history = SiteHistory()
    for n, says in enumerate([1.0, 0.0, 1.0, None, 1.0, None]):
        history.add([note(n, "string:s1", **{"says:failed_string": says})])
    assert history.suspected("string:s1", "failed_string") == [FIRST + timedelta(4), FIRST + timedelta(2)]
    assert history.suspected("string:s1", "soiling") == history.suspected("string:s2", "failed_string") == []


def test_silence_is_counted_back_to_the_last_night_that_was_heard() -> None:
    history = SiteHistory()
    for n, heard in enumerate([1.0, 0.1, None, 0.0]):
        history.add([note(n, "source:log", heard=heard)])
    assert history.silent_nights("log", 0.25) == 2
    assert history.silent_nights("log", 0.05) == 1
    assert history.silent_nights("other", 0.25) == 0


def test_notes_come_back_as_they_were_told() -> None:
    history = SiteHistory()
    told = [note(0, level=0.5, unit=None), note(1, expected=None, usable=0.0), note(2, still=1.0)]
    for one in told:
        history.add([one])
    back = history.between("site", FIRST, FIRST + timedelta(1))
    assert [(n.day, n.expected_kwh, n.expected_high_kwh, n.usable) for n in back] == [
        (n.day, n.expected_kwh, n.expected_high_kwh, n.usable) for n in told[:2]
    ]
    assert [dict(n.features) for n in back] == [{"level": 0.5}, {}]
    assert history.said("site", "still", FIRST, FIRST + timedelta(2)).tolist() == [1.0]
    assert history.said("site", "still", FIRST, FIRST + timedelta(1)).size == 0
