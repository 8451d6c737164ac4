"""A site's daily figures as the two rows of bars of its page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, timedelta

from monitor.report.board.sheet import Bars
from monitor.report.energies import DayFigures, compare, daily_energy, day_span
from monitor.report.words import MONTHS

DAYS = 60
MONTHS_SHOWN = 13  # the running one and the twelve before
_NONE = math.nan


def first_month(until: date) -> date:
    """First day of the first month that is shown."""
    months = 12 * until.year + until.month - MONTHS_SHOWN
    return date(months // 12, months % 12 + 1, 1)


def daily_bars(figures: Mapping[date, DayFigures], lost: Mapping[date, float], until: date) -> Bars | None:
    """The last days; None where nothing was measured in them."""
    days = day_span(until - timedelta(days=DAYS - 1), until)
    daily = daily_energy(figures, days)
    if not any(math.isfinite(energy) for energy in daily.measured):
        return None
    labels = tuple((i, f"{day.day} {MONTHS[day.month - 1][:3]}") for i, day in enumerate(days) if i % 14 == 0)
    return Bars(
        "kWh a day", labels, daily.measured, daily.expected, daily.low, daily.high,
        tuple(lost.get(day, 0.0) for day in days),
    )  # fmt: skip


def monthly_bars(figures: Mapping[date, DayFigures], lost: Mapping[date, float], until: date) -> Bars | None:
    """The last months over the days that can be compared; None where there are no such days."""
    months = _months(until)
    columns: list[tuple[float, float, float, float, float]] = []
    for first, last in months:
        days = day_span(first, last)
        both = compare(daily_energy(figures, days))
        missing = sum(lost.get(day, 0.0) for day in days if (row := figures.get(day)) is not None and row.whole)
        columns.append(
            (both.measured, both.expected, both.low, both.high, missing) if both.days else (_NONE,) * 4 + (0.0,)
        )
    if all(math.isnan(column[0]) for column in columns):
        return None
    labels = tuple((i, MONTHS[first.month - 1][:3]) for i, (first, _) in enumerate(months) if i % 2 == 0)
    measured, expected, low, high, missing_ = (tuple(row) for row in zip(*columns, strict=True))
    return Bars("kWh a month, on the days with both", labels, measured, expected, low, high, missing_)


def _months(until: date) -> list[tuple[date, date]]:
    found = []
    begin = first_month(until)
    while begin <= until:
        following = (begin + timedelta(days=31)).replace(day=1)
        found.append((begin, min(following - timedelta(days=1), until)))
        begin = following
    return found
