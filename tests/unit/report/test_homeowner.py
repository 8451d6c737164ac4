"""A homeowner's month: what is said, and what is held back."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from monitor.detect.finding import Finding
from monitor.model.typical_year import TypicalYear
from monitor.report.digest import DailyEnergy, Month
from monitor.report.energies import DayFigures, compare
from monitor.report.homeowner import concerns, health, matters, month_total, sunniness, year_and_quote

AUGUST = (date(2026, 8, 1), date(2026, 8, 31))
GOOD = Month(
    measured=310.0, days_with_data=31, compared=310.0, expected=312.0, low=295.0, high=330.0, days_compared=31,
    is_rough=False,
)  # fmt: skip


def test_only_whole_days_are_compared(make_daily: Callable[..., DailyEnergy]) -> None:
    daily = replace(make_daily(date(2026, 8, 1), [8.0, 4.0, math.nan, 9.0]), whole=(True, False, True, True))
    both = compare(daily)
    assert (both.days, both.measured, both.expected) == (2, 17.0, 20.0)


def test_range_lies_between_one_common_error_and_independent_ones(make_daily: Callable[..., DailyEnergy]) -> None:
    both = compare(make_daily(date(2026, 8, 1), [10.0] * 4))
    assert both.low == pytest.approx(40.0 - (0.5 * 4 + 0.5 * 2))
    assert both.high == pytest.approx(40.0 + (0.5 * 4 + 0.5 * 2))


def test_a_month_without_a_reading_has_no_total(make_daily: Callable[..., DailyEnergy]) -> None:
    assert month_total(make_daily(date(2026, 8, 1), [math.nan] * 31), ["weather"] * 31) is None


@pytest.mark.parametrize(("clear", "rough"), [(15, False), (16, True)])
def test_mostly_clear_sky_is_rough(make_daily: Callable[..., DailyEnergy], clear: int, rough: bool) -> None:
    sources = ["clear_sky"] * clear + ["neighbours"] * (31 - clear)
    total = month_total(make_daily(date(2026, 8, 1), [10.0] * 31), sources)
    assert total is not None
    assert total.is_rough is rough


def year_of(days: int, *, measured: float, expected: float, source: str = "weather") -> dict[date, DayFigures]:
    day = DayFigures(
        measured=measured, expected=expected, low=0.9 * expected, high=1.1 * expected, source=source, whole=True
    )  # fmt: skip
    return {AUGUST[1] - timedelta(days=n): day for n in range(days)}


@pytest.mark.parametrize(("missing", "told"), [(18, True), (19, False)])
def test_a_year_is_told_with_few_days_missing(missing: int, told: bool, make_usual: Callable[..., TypicalYear]) -> None:
    figures = year_of(365 - missing, measured=11.0, expected=10.0)
    year = year_and_quote(figures, AUGUST[1], 3650.0, make_usual())
    assert (year is not None) is told
    if year is not None:
        assert (year.days, year.measured) == (365 - missing, 11.0 * (365 - missing))
        assert year.quoted == pytest.approx(10.0 * (365 - missing))  # the quote's part of the same days
    assert year_and_quote(figures, AUGUST[1], None, make_usual()) is None


def test_the_quote_is_compared_after_the_weather(make_usual: Callable[..., TypicalYear]) -> None:
    figures = year_of(365, measured=8.8, expected=9.0)  # a dull year: nine tenths of what is usual
    year = year_and_quote(figures, AUGUST[1], 4000.0, make_usual(10.0))
    assert year is not None
    assert year.quoted == pytest.approx(4000.0)
    assert year.weathered == pytest.approx(3600.0)
    # 80 %: 1.2816 sigma of the usual sky (0.03 of 0.6), and of the days' ranges half in full and half in quadrature.
    half = 3600.0 * math.hypot(1.2816 * 0.05, 0.1 * (0.5 + 0.5 / math.sqrt(365)))
    assert (year.low, year.high) == (pytest.approx(3600.0 - half), pytest.approx(3600.0 + half))


def test_a_year_whose_clouds_nobody_saw_has_no_weather(make_usual: Callable[..., TypicalYear]) -> None:
    figures = year_of(365, measured=8.8, expected=9.0, source="clear_sky")
    year = year_and_quote(figures, AUGUST[1], 4000.0, make_usual())
    assert year is not None
    assert year.weathered is None


def test_a_month_is_compared_with_the_same_one_a_year_before(make_usual: Callable[..., TypicalYear]) -> None:
    now = year_of(31, measured=8.0, expected=8.0)
    then = {day.replace(year=2025): replace(f, expected=10.0) for day, f in now.items()}
    told = sunniness(now | then, sorted(now), make_usual(), is_south=False)
    assert told is not None
    assert (told.than, told.ratio) == ("last_year", pytest.approx(0.8))


@pytest.mark.parametrize(
    ("month", "expected", "is_south", "told"),
    [
        (8, 8.0, False, True),
        (8, 9.0, False, False),
        (8, 8.0, True, False),
        (1, 8.0, False, False),
        (1, 8.0, True, True),
    ],
)
def test_without_a_year_before_only_the_bright_half_is_held_against_what_is_usual(
    month: int, expected: float, is_south: bool, told: bool, make_usual: Callable[..., TypicalYear]
) -> None:
    day = next(iter(year_of(1, measured=8.0, expected=expected).values()))
    now = {date(2026, month, n): day for n in range(1, 32)}
    found = sunniness(now, sorted(now), make_usual(), is_south=is_south)
    assert (found is not None) is told
    assert found is None or found.than == "usual"


def test_nobody_is_worried_with_a_suspicion(make_finding: Callable[..., Finding]) -> None:
    assert concerns([make_finding(level="watch")], *AUGUST) == []


def test_what_was_over_before_the_month_or_began_after_it_is_not_told(make_finding: Callable[..., Finding]) -> None:
    over = make_finding(since=date(2026, 7, 3), last_seen=date(2026, 7, 31), state="cleared", cleared=date(2026, 8, 2))
    later = make_finding(since=date(2026, 9, 1))
    assert concerns([over, later], *AUGUST) == []
    assert concerns([replace(over, last_seen=AUGUST[0])], *AUGUST)


def test_a_mended_fault_is_told_as_over(make_finding: Callable[..., Finding]) -> None:
    mended = make_finding(state="cleared", cleared=date(2026, 8, 12), last_seen=date(2026, 8, 9))
    (matter,) = matters([mended, replace(mended, id="f2")])
    assert matter.is_over
    assert matter.text == (
        "From 3 to 9 August, part of your solar system was not delivering as it should. It works again."
    )


@pytest.mark.parametrize(
    ("total", "said"),
    [
        (GOOD, "working as it should"),
        (replace(GOOD, compared=287.0), "working as it should"),
        (replace(GOOD, compared=286.0), "somewhat less"),
        (replace(GOOD, compared=28.0, days_compared=9), "working as it should"),
        (replace(GOOD, is_rough=True), "From what we can see"),
        (replace(GOOD, is_rough=True, compared=200.0), "cannot be told"),
        (replace(GOOD, compared=None, expected=None, low=None, high=None, days_compared=0), "cannot compare"),
        (None, "no readings reached us"),
    ],
)
def test_health_in_one_sentence(total: Month | None, said: str) -> None:
    assert said in health(total, [])


def test_what_comes_from_outside_is_nothing_against_the_roof(make_finding: Callable[..., Finding]) -> None:
    outside = make_finding(cause="grid_voltage_trip", level="visit", subject="inverter:inv1")
    assert health(GOOD, [outside]) == (
        "Your solar system is in order, but something outside it holds it back. We know about it."
    )
    assert "not working as it should" in health(GOOD, [outside, make_finding()])


def test_a_roof_in_its_first_weeks_has_begun(make_finding: Callable[..., Finding]) -> None:
    assert health(GOOD, [], is_new=True) == "Your roof has begun to produce, and nothing that we see is wrong with it."
    assert "not working as it should" in health(GOOD, [make_finding()], is_new=True)


def test_missing_readings_say_nothing_against_the_roof(make_finding: Callable[..., Finding]) -> None:
    missing = make_finding(cause="missing_data", level="visit", subject="site")
    assert health(GOOD, [missing]) == health(GOOD, [])
    assert "not working as it should" in health(GOOD, [make_finding()])


def test_a_homeowner_hears_nothing_of_what_was_no_fault(make_finding: Callable[..., Finding]) -> None:
    told = make_finding(state="cleared", cleared=AUGUST[1])
    assert concerns([told], *AUGUST) == [told]
    assert concerns([replace(told, evidence={"verdict": {"said": "repaired", "on": "2026-08-31"}})], *AUGUST)
    assert concerns([replace(told, evidence={"verdict": {"said": "not-a-fault", "on": "2026-08-31"}})], *AUGUST) == []
