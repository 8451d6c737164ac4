"""Arithmetic on daily energies: only days that have both figures are compared."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from monitor.report.digest import DailyEnergy

# A month's days share part of their error (a weather source's bias lasts for weeks, a cloud guess does not). Half and
# half lies between the two extremes; our own planning value.
SHARED_PART = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class DayFigures:
    """One day as stored; None where it cannot be told."""

    measured: float | None
    expected: float | None
    low: float | None
    high: float | None
    source: str | None
    whole: bool  # measured over nearly all of the day, so that it may stand beside expected


_NOTHING = DayFigures(measured=None, expected=None, low=None, high=None, source=None, whole=False)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Sums over the days that have both figures; `days` is how many those are."""

    days: int
    measured: float
    expected: float
    low: float
    high: float

    @property
    def share(self) -> float | None:
        """Measured over expected; None when nothing was expected."""
        return self.measured / self.expected if self.expected > 0 else None


def day_span(first: date, last: date) -> tuple[date, ...]:
    """All days first to last, both included."""
    return tuple(first + timedelta(days=n) for n in range((last - first).days + 1))


def daily_energy(figures: Mapping[date, DayFigures], days: Sequence[date]) -> DailyEnergy:
    """Figures laid out over a span of days, NaN where there are none."""
    rows = [figures.get(day, _NOTHING) for day in days]
    return DailyEnergy(
        days=tuple(days),
        measured=tuple(_number(row.measured) for row in rows),
        expected=tuple(_number(row.expected) for row in rows),
        low=tuple(_number(row.low) for row in rows),
        high=tuple(_number(row.high) for row in rows),
        whole=tuple(row.whole for row in rows),
    )


def compare(daily: DailyEnergy, *, first: date = date.min, last: date = date.max) -> Comparison:
    """Sum up the whole days first to last that have both measured and expected energy.

    The range adds half of each day's half-width in full and half in quadrature, see SHARED_PART.
    """
    rows = [
        (measured, expected, low if math.isfinite(low) else expected, high if math.isfinite(high) else expected)
        for day, measured, expected, low, high, whole in zip(
            daily.days, daily.measured, daily.expected, daily.low, daily.high, daily.whole, strict=True
        )
        if whole and first <= day <= last and math.isfinite(measured) and math.isfinite(expected)
    ]
    total = sum(row[1] for row in rows)
    return Comparison(
        days=len(rows),
        measured=sum(row[0] for row in rows),
        expected=total,
        low=max(0.0, total - together([row[1] - row[2] for row in rows])),
        high=total + together([row[3] - row[1] for row in rows]),
    )


def together(halves: Sequence[float]) -> float:
    """Half-width of a sum of days from theirs: half of each in full and half in quadrature, see SHARED_PART."""
    return SHARED_PART * sum(halves) + (1 - SHARED_PART) * math.hypot(*halves)


def _number(value: float | None) -> float:
    return math.nan if value is None else value
