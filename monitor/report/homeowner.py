"""Daily energies and findings to a homeowner's month, in plain words and without alarm."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta

from monitor.detect.finding import Finding
from monitor.report.digest import DailyEnergy, Matter, Month, YearAndQuote
from monitor.report.energies import DayFigures, compare
from monitor.report.words import DATA_CAUSES, span_words

YEAR = timedelta(days=365)
MOST_MISSING = 18  # days of a year without data, up to which a year's sum still says something
# A month may fall this far below the range before we speak of it: inverters' own meters are good to a few per cent.
METER_ALLOWANCE = 0.03
ENOUGH_DAYS = 10  # of a month, before anything is said against it

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


def year_and_quote(figures: Mapping[date, DayFigures], last: date, quoted: float | None) -> YearAndQuote | None:
    """Twelve months beside the quote; None without a quote or with too many days missing."""
    days = {day: f.measured for day, f in figures.items() if last - YEAR < day <= last and f.measured is not None}
    missing = YEAR.days - len(days)
    if quoted is None or missing > MOST_MISSING:
        return None
    return YearAndQuote(measured=sum(days.values()), quoted=quoted, days_missing=missing)


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


def health(total: Month | None, found: Sequence[Finding]) -> str:
    """One sentence about the roof."""
    faults = [f for f in found if f.level != "note" and f.cause not in DATA_CAUSES]
    if any(f.state == "open" for f in faults):
        return "Part of your solar system is not working as it should. We know about it and are taking care of it."
    if faults:
        return "Part of your solar system did not work for a while. That is over now."
    if total is None:
        return "We cannot say how your roof did, because no readings reached us."
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
