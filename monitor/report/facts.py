"""What pages say of a finding's card and of a homeowner's month: the same for HTML and for plain text."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.report.digest import (
    FindingCard,
    FindingChart,
    HomeownerDigest,
    Month,
    YearAndQuote,
)
from monitor.report.energies import compare
from monitor.report.words import (
    MONTHS,
    about_kwh,
    count,
    day_words,
    kwh,
    money,
    month_words,
    part_words,
    range_words,
    share,
    spoken_day,
    sure_words,
)

LEAST_DIFFERENCE = 0.03  # of weather, that people are told of
CLEAR_DIFFERENCE = 0.08  # from which on a month is called dull or sunny


@dataclass(frozen=True, slots=True)
class Week:
    """A row of the homeowner's table, ready to print."""

    days: str
    made: str
    allowed: str


def card_facts(card: FindingCard, currency: str) -> list[tuple[str, str]]:
    """A finding's figures by label."""
    facts = [("Since", day_words(card.since)), ("First reported", f"after {day_words(card.raised)}")]
    if card.cleared is not None:
        facts.append(("Cleared", f"after {day_words(card.cleared)}"))
    if card.verdict is not None:
        facts.append(
            ("Verdict", card.verdict.replace("-", " ") + (f": {card.verdict_note}" if card.verdict_note else ""))
        )
    if card.lost > 0:
        price = f", {money(card.lost_money, currency)}" if card.lost_money is not None else ""
        so_far = "Lost" if card.state == "cleared" else "Lost so far"
        facts.append((so_far, f"{kwh(card.lost)} kWh ({range_words(card.lost_low, card.lost_high)}){price}"))
    if card.ahead is not None and card.state == "open":
        worth = f", {money(card.ahead_money, currency)}" if card.ahead_money is not None else ""
        facts.append(("In the next twelve months", f"about {about_kwh(card.ahead)} kWh{worth}, if nothing is done"))
    facts.append(("How sure", sure_words(card.confidence)))
    if card.share_since is not None:
        before = f"; {share(card.share_before)} before" if card.share_before is not None else ""
        facts.append(("Made of what was expected", f"{share(card.share_since)} since then{before}"))
    return facts


def chart_alt(card: FindingCard, chart: FindingChart) -> str:
    """What a finding's picture shows, for those who do not see it."""
    last = compare(chart.daily, first=chart.since, last=chart.until)
    text = f"Daily energy of {card.subject}, {card.site}: since {day_words(chart.since)} "
    text += f"{kwh(last.measured)} kWh made of {kwh(last.expected)} kWh expected"
    if card.share_before is not None:
        text += f"; in the weeks before, {share(card.share_before)} of what was expected"
    return text + "."


def month_made(digest: HomeownerDigest, total: Month) -> str:
    """What the roof made, in a sentence."""
    month = month_words(digest.first)
    text = f"In {month} your roof made about {about_kwh(total.measured)} kWh of electricity."
    missing = len(digest.daily.days) - total.days_with_data
    if missing:
        text += f" For {count(missing, 'day', 'days')} of the month we have no complete readings, so it made more."
    return text


def month_allowed(digest: HomeownerDigest, total: Month) -> str:
    """What the weather allowed, in a sentence or two that do not claim more than is known."""
    if total.expected is None or total.low is None or total.high is None or total.compared is None:
        return "How much the weather allowed cannot be said for this month yet."
    between = f"between {about_kwh(total.low)} and {about_kwh(total.high)} kWh"
    days = ""
    if total.days_compared < len(digest.daily.days):
        days = f" on the {count(total.days_compared, 'day', 'days')} that can be compared"
    if total.is_rough:
        return (
            f"Nobody measured the clouds above your roof{days}, so what the weather allowed is a rough guess: "
            f"{between}. Please do not read much into the difference."
        )
    made = f", and your roof made about {about_kwh(total.compared)} kWh of it" if days else ""
    told = f"The weather allowed about {about_kwh(total.expected)} kWh{days} (somewhere {between}){made}."
    return f"{told}{_sunny_words(digest)}"


def _sunny_words(digest: HomeownerDigest) -> str:
    """That a dull month was a dull month."""
    sunny = digest.sunniness
    if sunny is None:
        return ""
    month = MONTHS[digest.first.month - 1]
    than = f"in {month} {digest.first.year - 1}" if sunny.than == "last_year" else f"is usual in {month}"
    if abs(sunny.ratio - 1.0) < LEAST_DIFFERENCE:
        return f" It allowed about as much as {than}."
    kind = "a sunny" if sunny.ratio > 1.0 else "a dull"
    more = "more" if sunny.ratio > 1.0 else "less"
    was = f" It was {kind} {month}:" if abs(sunny.ratio - 1.0) >= CLEAR_DIFFERENCE else " It allowed"
    return f"{was} {part_words(abs(sunny.ratio - 1.0))} {more} than {than}."


def begun_words(digest: HomeownerDigest) -> str:
    """That a roof is in its first weeks; empty for others."""
    if digest.begun is None:
        return ""
    if not digest.daily.days:
        return f"Your roof began to work on {day_words(digest.begun)}, so there is nothing to tell of this month yet."
    return (
        f"Your roof is in its first weeks: it began to work on {day_words(digest.begun)}. We are still getting to know "
        "it; comparisons become sound from its second month on."
    )


def year_words(digest: HomeownerDigest) -> str | None:
    """Twelve months beside the quote, under their weather; None when there is nothing to say."""
    year = digest.year
    if year is None:
        return None
    short = 365 - year.days
    without = f" ({count(short, 'day', 'days')} without complete readings left out)" if short else ""
    text = (
        f"Over the twelve months up to the end of {month_words(digest.first)}{without} your roof made about "
        f"{about_kwh(year.measured)} kWh. You were quoted {about_kwh(year.quoted_year)} kWh for a year"
    )
    text += f", which is about {about_kwh(year.quoted)} kWh for these days." if short else "."
    if year.weathered is None:
        return f"{text} Nobody measured the clouds, so how much of the difference is weather cannot be said."
    return f"{text} {_weather_of_year(year, year.weathered)} {_beside_quote(digest, year)}"


def _weather_of_year(year: YearAndQuote, weathered: float) -> str:
    if year.low <= year.quoted <= year.high:
        return "The weather of these months was much as usual, as far as can be told."
    kind = "sunnier" if weathered > year.quoted else "duller"
    return (
        f"These months were {kind} than usual; with their weather the quote comes to about {about_kwh(weathered)} kWh."
    )


def _beside_quote(digest: HomeownerDigest, year: YearAndQuote) -> str:
    if year.low <= year.measured <= year.high or year.weathered is None:
        return "So your roof made what was quoted, as far as can be told."
    off = year.measured / year.weathered - 1.0
    if off > 0.0:
        return f"So your roof made {part_words(off)} more than quoted."
    known = any(not matter.is_over for matter in digest.matters)
    reason = "What we know of the reason stands above." if known else "We do not know the reason yet and look into it."
    return f"So your roof made {part_words(-off)} less than quoted. {reason}"


def weeks(digest: HomeownerDigest) -> list[Week]:
    """The month in four parts, of which the last is longer; fewer where it began later."""
    size = len(digest.daily.days)
    starts = [*(start for start in (0, 7, 14, 21) if start < size), size]
    return [_week(digest, begin, end) for begin, end in zip(starts, starts[1:], strict=False)]


def month_alt(digest: HomeownerDigest, total: Month) -> str:
    """What the month's picture shows."""
    text = f"Daily energy in {month_words(digest.first)}: {about_kwh(total.measured)} kWh in all"
    numbered = [(e, day) for e, day in zip(digest.daily.measured, digest.daily.days, strict=True) if e == e]
    best, day = max(numbered)
    return f"{text}, best day {spoken_day(day)} with {about_kwh(best)} kWh. {digest.health}"


def no_readings(digest: HomeownerDigest) -> str:
    """What is said when a month has no data."""
    since = f" The last ones are from {day_words(digest.last_heard)}." if digest.last_heard else ""
    return (
        f"No readings from your roof reached us in {month_words(digest.first)}.{since} That does not mean that it "
        "stood still: usually only the connection is interrupted, and the roof goes on working."
    )


def contact_words(digest: HomeownerDigest) -> str:
    """Whom to call or write to."""
    call = f"call {digest.firm} on {digest.phone}" if digest.phone else ""
    write = f"answer this mail or write to {digest.contact}" if digest.contact else ""
    ways = " or ".join(way for way in (call, write) if way)
    if not ways:
        return f"Questions? {digest.firm} is glad to answer them."
    return f"Questions? {ways[:1].upper()}{ways[1:]}; {'we are' if call else digest.firm + ' is'} glad to help."


def homeowner_subject(digest: HomeownerDigest) -> str:
    """Subject line of a month."""
    made = f"about {about_kwh(digest.total.measured)} kWh" if digest.total else "no readings"
    return f"{digest.site} in {month_words(digest.first)}: {made}"


def _week(digest: HomeownerDigest, begin: int, end: int) -> Week:
    daily = digest.daily
    made = [e for e in daily.measured[begin:end] if e == e]
    both = compare(daily, first=daily.days[begin], last=daily.days[end - 1])
    days = f"{daily.days[begin].day} to {daily.days[end - 1].day}"
    short = "" if len(made) == end - begin else f" ({count(len(made), 'day', 'days')})"
    told = f"{about_kwh(sum(made))} kWh{short}" if made else "no readings"
    part = "" if both.days == end - begin else f" ({count(both.days, 'day', 'days')})"
    return Week(days, told, f"{about_kwh(both.expected)} kWh{part}" if both.days else "-")
