"""Daily energies and findings to a homeowner's month, in plain words and without alarm."""

from __future__ import annotations

import math
from calendar import monthrange
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from monitor.detect.finding import Finding
from monitor.model.typical_year import TypicalYear
from monitor.report.digest import DailyEnergy, Matter, Month, Sunniness, YearAndQuote
from monitor.report.energies import DayFigures, compare, together
from monitor.report.words import DATA_CAUSES, span_words

YEAR = timedelta(days=365)
MOST_MISSING = 18  # days of a year without data, up to which a year's sum still says something
# A month may fall this far below the range before we speak of it: inverters' own meters are good to a few per cent.
METER_ALLOWANCE = 0.03
FIRST_WEEKS = timedelta(days=45)  # of a roof, before it is compared with anything
_COMPARED_DAYS = 25  # of a month, before its weather is held against another's
_TOLD_OF_USUAL = 0.15
_Z80 = 1.2816  # standard errors of an 80 % range, each way
ENOUGH_DAYS = 10  # of a month, before anything is said against it

_FROM_OUTSIDE = frozenset({"grid_voltage_trip", "shading_growth", "soiling"})
_PAST_FAULT = "{span}, part of your solar system was not delivering as it should. It works again."
_PAST_DATA = "{span}, readings from your system were missing or could not be used. They arrive again."
_FALLBACK = "We have noticed something about your system and are looking into it. Nothing needs to be done by you."


def month_days(year: int, month: int) -> tuple[date, date]:
    """First and last day of a month."""
    return date(year, month, 1), date(year, month, monthrange(year, month)[1])


def month_total(daily: DailyEnergy, sources: Iterable[str | None]) -> Month | None:
    """A month's sums; None when not one day was measured."""
    told = [energy for energy in daily.measured if energy == energy]
    if not told:
        return None
    both = compare(daily)
    known = [source for source in sources if source is not None]
    return Month(
        measured=sum(told),
        days_with_data=len(told),
        compared=both.measured if both.days else None,
        expected=both.expected if both.days else None,
        low=both.low if both.days else None,
        high=both.high if both.days else None,
        days_compared=both.days,
        is_rough=2 * known.count("clear_sky") > len(known),
    )


def year_and_quote(
    figures: Mapping[date, DayFigures], last: date, quoted: float | None, usual: TypicalYear | None
) -> YearAndQuote | None:
    """Twelve months beside the quote, under their weather; None without a quote or with too many days missing.

    Parameters
    ----------
    figures : mapping of date to DayFigures
        Measured and expected energy by local day.
    last : date
        Last day of the twelve months.
    quoted : float or None
        What the customer was quoted for a year [kWh].
    usual : TypicalYear or None
        The roof's typical year: its days share out the quote, and what was expected of the days over what is usual
        for them tells the weather.

    Notes
    -----
    The range is 80 %: how well the usual sky is known, beside how well each day's expectation is.
    """
    days = {day: f for day, f in figures.items() if last - YEAR < day <= last and f.measured is not None and f.whole}
    if quoted is None or usual is None or len(days) < YEAR.days - MOST_MISSING:
        return None
    measured = sum(f.measured or 0.0 for f in days.values())
    part = quoted * sum(usual.share(day) for day in days)
    told = [f for f in days.values() if f.expected is not None]
    guessed = sum(f.source == "clear_sky" for f in told)
    plain = YearAndQuote(days=len(days), measured=measured, quoted=part, quoted_year=quoted)
    if len(told) < len(days) - MOST_MISSING or 2 * guessed > len(told):
        return plain
    expected = sum(f.expected or 0.0 for f in told)
    usually = sum(usual.usual_kwh(day) for day, f in days.items() if f.expected is not None)
    if usually <= 0.0 or expected <= 0.0:
        return plain
    half = together(
        [((f.high or 0.0) - (f.low or 0.0)) / 2.0 for f in told if f.high is not None and f.low is not None]
    )
    weathered = part * expected / usually
    off = weathered * math.hypot(_Z80 * usual.sky.relative, half / expected)
    return replace(plain, weathered=weathered, low=weathered - off, high=weathered + off)


def sunniness(
    figures: Mapping[date, DayFigures], days: Sequence[date], usual: TypicalYear | None, *, is_south: bool
) -> Sunniness | None:
    """How sunny some days of one month were, beside the same days a year before, else beside what is usual then.

    The usual sky is one for all the year, so that it says nothing of the dull half of it, and a month's usual weather
    is known to a seventh only; less is not told.
    """
    now = {day: e for day in days if (e := _seen(figures.get(day))) is not None}
    before = {day: e for day in now if (e := _seen(figures.get(_year_before(day)))) is not None}
    if len(before) >= _COMPARED_DAYS:
        return Sunniness(ratio=sum(now[day] for day in before) / sum(before.values()), than="last_year")
    month = days[0].month if days else 1
    if usual is None or len(now) < _COMPARED_DAYS or (4 <= month <= 9) == is_south:
        return None
    ratio = sum(now.values()) / sum(usual.usual_kwh(day) for day in now)
    return Sunniness(ratio=ratio, than="usual") if abs(ratio - 1.0) >= _TOLD_OF_USUAL else None


def _seen(figures: DayFigures | None) -> float | None:
    """What was expected of a day whose clouds somebody saw."""
    if figures is None or figures.source == "clear_sky" or not figures.expected:
        return None
    return figures.expected


def _year_before(day: date) -> date:
    return day - YEAR if (day.month, day.day) == (2, 29) else day.replace(year=day.year - 1)


def concerns(findings: Sequence[Finding], first: date, last: date) -> list[Finding]:
    """What of a site's findings a homeowner hears of: what touched the month and somebody acts on, or is normal.

    A `watch` is not certain enough to worry anybody with, and what an engineer has called no fault is none.
    """
    return [
        f
        for f in findings
        if f.verdict != "not-a-fault"
        if f.since <= last and (f.cleared is None or f.last_seen >= first)
        if f.level in ("visit", "urgent") or (f.level == "note" and "homeowner" in f.advice)
    ]


def matters(found: Sequence[Finding]) -> tuple[Matter, ...]:
    """Findings in the homeowner's words; the same words once."""
    return tuple(dict.fromkeys(_matter(f) for f in found))


def health(total: Month | None, found: Sequence[Finding], *, is_new: bool = False) -> str:
    """One sentence about the roof; `is_new`: it is in its first weeks."""
    faults = [f for f in found if f.level != "note" and f.cause not in DATA_CAUSES]
    standing = [f for f in faults if f.state == "open"]
    if standing and all(f.cause in _FROM_OUTSIDE for f in standing):
        return "Your solar system is in order, but something outside it holds it back. We know about it."
    if standing:
        return "Part of your solar system is not working as it should. We know about it and are taking care of it."
    if faults:
        return "Part of your solar system did not work for a while. That is over now."
    if total is None:
        return "We cannot say how your roof did, because no readings reached us."
    if is_new:
        return "Your roof has begun to produce, and nothing that we see is wrong with it."
    if total.compared is None or total.low is None:
        return "Your roof has been producing. We cannot compare this month with the weather yet."
    is_low = total.days_compared >= ENOUGH_DAYS and total.compared < total.low * (1 - METER_ALLOWANCE)
    if total.is_rough and is_low:
        return "Your roof has been producing. Whether it made as much as it could cannot be told for this month."
    if total.is_rough:
        return "From what we can see, your roof has been working normally."
    if is_low:
        return "Your roof made somewhat less than the weather allowed. We do not know the reason yet and keep watching."
    return "Your roof has been working as it should."


def _matter(finding: Finding) -> Matter:
    if finding.level == "note" or finding.state == "open":
        return Matter(text=finding.advice.get("homeowner", _FALLBACK), is_over=finding.state == "cleared")
    what = _PAST_DATA if finding.cause in DATA_CAUSES else _PAST_FAULT
    return Matter(text=what.format(span=span_words(finding.since, finding.last_seen)), is_over=True)
