"""What pages say about digest data: the same sentences and figures for HTML and for plain text."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.report.digest import FindingCard, FindingChart, HomeownerDigest, Month, ServiceDigest
from monitor.report.energies import compare
from monitor.report.words import (
    about_kwh,
    count,
    day_words,
    kwh,
    money,
    month_words,
    range_words,
    share,
    spoken_day,
    sure_words,
)


@dataclass(frozen=True, slots=True)
class Week:
    """A row of the homeowner's table, ready to print."""

    days: str
    made: str
    allowed: str


def service_headline(digest: ServiceDigest) -> str:
    """The morning in one sentence."""
    if not digest.open and not digest.cleared:
        return f"Nothing to do: no open finding on {count(digest.sites, 'site', 'sites')}."
    news = count(digest.new, "new finding", "new findings") if digest.new else "No new finding"
    old = len(digest.open) - digest.new
    parts = [f"{old} still open"] if old else []
    parts += [f"{len(digest.cleared)} cleared"] if digest.cleared else []
    return ", ".join([news, *parts]) + f", on {count(digest.sites, 'site', 'sites')}."


def standing_words(card: FindingCard) -> str:
    """New, still open, or cleared."""
    if card.state == "cleared":
        return "Cleared"
    return "New" if card.is_new else "Still open"


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
    return f"The weather allowed about {about_kwh(total.expected)} kWh{days} (somewhere {between}){made}."


def year_words(digest: HomeownerDigest) -> str | None:
    """Twelve months beside the quote; None when there is nothing to say."""
    year = digest.year
    if year is None:
        return None
    text = (
        f"Over the twelve months up to the end of {month_words(digest.first)} it made about "
        f"{about_kwh(year.measured)} kWh; you were quoted {about_kwh(year.quoted)} kWh for a year."
    )
    if year.days_missing:
        text += f" {count(year.days_missing, 'day is', 'days are')} missing from this sum."
    return text + " Sunny and dull years differ by several per cent."


def weeks(digest: HomeownerDigest) -> list[Week]:
    """The month in four parts, of which the last is longer."""
    daily = digest.daily
    starts = (0, 7, 14, 21, len(daily.days))
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
    """Whom to ask."""
    if digest.contact is None:
        return f"Questions? {digest.firm} is glad to answer them."
    return f"Questions? Answer this mail or write to {digest.contact}; {digest.firm} is glad to help."


def service_subject(digest: ServiceDigest) -> str:
    """Subject line of a morning."""
    what = service_headline(digest).partition(", on ")[0] if digest.open or digest.cleared else "Nothing to do"
    return f"{digest.fleet}: {what} ({day_words(digest.as_of)})"


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
