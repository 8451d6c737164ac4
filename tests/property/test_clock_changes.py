"""Civil time in any zone and any order of rows comes back to the instants that it was written at; truth by zoneinfo."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ingest.timeline import to_local, to_utc, zone_of

ZONES = (
    "Europe/London", "America/New_York", "Australia/Lord_Howe", "Australia/Adelaide", "Australia/Sydney",
    "Pacific/Auckland", "America/St_Johns", "Africa/Cairo", "America/Santiago",
)  # fmt: skip
STILL = ("Asia/Kathmandu", "Asia/Kolkata", "UTC", "+01:00", "-03:30")
STEPS = st.sampled_from([60, 300, 600, 900, 1800])


def wall(utc: int, zone: tzinfo) -> int:
    """What the clock shows, row by row."""
    return int(datetime.fromtimestamp(utc, zone).replace(tzinfo=UTC).timestamp())


def changes(name: str, year: int, *, back: bool) -> list[int]:
    """Instants at which a zone's clock is moved in a year."""
    zone = zone_of(name)
    hours = int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) + 1800 * np.arange(2 * 8766)
    shifts = np.array([wall(int(t), zone) - int(t) for t in hours[::12]])
    moved = np.flatnonzero(np.diff(shifts) < 0 if back else np.diff(shifts) > 0)
    found = []
    for six_hours in moved.tolist():
        times = hours[12 * six_hours : 12 * six_hours + 13].tolist()
        found.append(next(b for a, b in zip(times, times[1:], strict=False) if wall(b, zone) - b != wall(a, zone) - a))
    return found


BACK = {name: [t for year in (2024, 2026) for t in changes(name, year, back=True)] for name in ZONES}
FORWARD = {name: [t for year in (2024, 2026) for t in changes(name, year, back=False)] for name in ZONES}


@st.composite
def rows_over(draw: st.DrawFn, where: dict[str, list[int]]) -> tuple[tzinfo, np.ndarray, int]:
    """Instants every so many seconds around a clock change."""
    name, step = draw(st.sampled_from(ZONES)), draw(STEPS)
    at = draw(st.sampled_from(where[name]))
    before, after = draw(st.integers(4, 12)), draw(st.integers(4, 12))
    reach = 3600 * max(2, step // 600)
    first = at - min(before * step, reach) - 3600
    return zone_of(name), np.arange(first - first % step, at + 3600 + after * step, step), step


@given(rows_over(BACK), st.booleans())
def test_the_repeated_hour_comes_back_by_the_order_of_the_rows(
    rows: tuple[tzinfo, np.ndarray, int], newest: bool
) -> None:
    zone, utc, step = rows
    local = np.array([wall(int(t), zone) for t in utc])
    np.testing.assert_array_equal(to_local(utc, zone), local)
    order = slice(None, None, -1) if newest else slice(None)
    civil = to_utc(local[order], zone, interval_s=step)
    np.testing.assert_array_equal(civil.utc, utc[order])
    assert not civil.missing.any()
    assert not civil.unsure.any()


@given(rows_over(BACK), st.sampled_from(["by label", "newest first by label", "shuffled"]), st.data())
def test_a_register_tells_the_pass_where_the_order_does_not(
    rows: tuple[tzinfo, np.ndarray, int], how: str, data: st.DataObject
) -> None:
    zone, utc, step = rows
    local = np.array([wall(int(t), zone) for t in utc])
    register = 1000.0 + np.cumsum(data.draw(st.lists(st.integers(1, 50), min_size=utc.size, max_size=utc.size))) / 10
    order = np.argsort(local, kind="stable")
    if how == "newest first by label":
        order = np.argsort(-local, kind="stable")
    elif how == "shuffled":
        order = np.array(data.draw(st.permutations(list(range(utc.size)))))
        assume(min(np.count_nonzero(np.diff(local[order]) < 0), np.count_nonzero(np.diff(local[order]) > 0)) > 1)
    gaps = np.full(utc.size, np.nan)
    civil = to_utc(local[order], zone, interval_s=step, registers=[gaps, register[order]])
    np.testing.assert_array_equal(civil.utc, utc[order])
    assert not civil.unsure.any()


@given(rows_over(BACK))
def test_pairs_without_a_register_keep_all_readings_and_are_unsure(rows: tuple[tzinfo, np.ndarray, int]) -> None:
    zone, utc, step = rows
    local = np.array([wall(int(t), zone) for t in utc])
    if np.unique(local).size == local.size:
        return
    order = np.argsort(local, kind="stable")
    civil = to_utc(local[order], zone, interval_s=step)
    assert np.array_equal(np.sort(civil.utc), utc)
    if not np.array_equal(civil.utc, utc[order]):
        assert civil.unsure.any()


@given(rows_over(FORWARD))
def test_the_hour_that_the_clock_skips_is_missing_and_no_other(rows: tuple[tzinfo, np.ndarray, int]) -> None:
    zone, utc, step = rows
    seen = np.array([wall(int(t), zone) for t in utc])
    local = np.arange(seen[0], seen[-1] + 1, step)  # what a clock would show that does not know of the change
    civil = to_utc(local, zone, interval_s=step)
    np.testing.assert_array_equal(civil.missing, ~np.isin(local, seen))
    np.testing.assert_array_equal(civil.utc[~civil.missing], utc[np.isin(seen, local)])


@settings(max_examples=30)
@given(st.sampled_from(STILL), st.integers(0, 8760), STEPS)
def test_zones_without_changes(name: str, hour: int, step: int) -> None:
    zone = zone_of(name)
    utc = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp()) + 3600 * hour + step * np.arange(60)
    local = np.array([wall(int(t), zone) for t in utc])
    civil = to_utc(local, zone, interval_s=step)
    np.testing.assert_array_equal(civil.utc, utc)
    assert not (civil.missing | civil.unsure).any()


@pytest.mark.parametrize("name", ZONES)
def test_every_zone_changes_twice_a_year(name: str) -> None:
    assert (len(BACK[name]), len(FORWARD[name])) == (2, 2)
    shift = timedelta(minutes=30 if name == "Australia/Lord_Howe" else 60)
    zone = ZoneInfo(name)
    for at in BACK[name]:
        before, after = (datetime.fromtimestamp(t, zone).utcoffset() for t in (at - 1800, at))
        assert before is not None
        assert after is not None
        assert before - after == shift
