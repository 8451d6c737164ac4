"""Digest data to a page: subject, HTML that shows its pictures by Content-ID, and plain text with the same facts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.report import facts
from monitor.report.digest import FindingCard, HomeownerDigest, ServiceDigest
from monitor.report.figures import finding_figure, month_figure, png
from monitor.report.templating import render_html, render_text
from monitor.report.words import LEVELS, count, day_words, kwh, month_words

CARDS = 10  # findings told in full; the page stays below 80 kB
LINES = 30  # findings told in a line each
CLEARED = 6
NAMED = 12  # quiet sites called by name


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG of a page, what it shows, and the name by which the page calls it."""

    cid: str
    alt: str
    png: bytes


@dataclass(frozen=True, slots=True)
class Page:
    """A digest ready for a message."""

    subject: str
    html: str
    text: str
    pictures: tuple[Picture, ...]


def render(digest: ServiceDigest | HomeownerDigest) -> Page:
    """A digest as a page."""
    return render_service(digest) if isinstance(digest, ServiceDigest) else render_homeowner(digest)


def render_service(digest: ServiceDigest) -> Page:
    """The service team's morning."""
    told = [*digest.open[:CARDS], *digest.cleared[:CLEARED]]
    pictures = {
        card: Picture(f"chart{i}", facts.chart_alt(card, card.chart), png(finding_figure(card.chart)))
        for i, card in enumerate(told, 1)
        if card.chart is not None
    }
    left = len(digest.open) - CARDS - LINES
    context: dict[str, Any] = {
        "d": digest,
        "subject": facts.service_subject(digest),
        "headline": facts.service_headline(digest),
        "as_of": day_words(digest.as_of),
        "since_last": day_words(digest.since_last),
        "open_cards": digest.open[:CARDS],
        "open_lines": digest.open[CARDS : CARDS + LINES],
        "untold": f"And {count(left, 'more open finding', 'more open findings')}: aftercare findings tells them all."
        if left > 0
        else "",
        "cleared_cards": digest.cleared[:CLEARED],
        "notes": [f"{card.site}, {card.subject}: {card.cause}. {card.summary}" for card in digest.notes],
        "quiet": _quiet(digest),
        "undrawn": _undrawn(digest, len(pictures)),
        "pictures": pictures,
        "facts": facts.card_facts,
        "standing": facts.standing_words,
        "levels": LEVELS,
        "day": day_words,
        "kwh": kwh,
    }
    return _page("service", context, tuple(pictures.values()))


def render_homeowner(digest: HomeownerDigest) -> Page:
    """A homeowner's month."""
    total = digest.total
    pictures: dict[str, Picture] = {}
    if total is not None:
        figure = month_figure(digest.daily, is_rough=total.is_rough)
        pictures["month"] = Picture("month", facts.month_alt(digest, total), png(figure))
    context: dict[str, Any] = {
        "d": digest,
        "subject": facts.homeowner_subject(digest),
        "month": month_words(digest.first),
        "made": facts.month_made(digest, total) if total else "",
        "allowed": facts.month_allowed(digest, total) if total else "",
        "weeks": facts.weeks(digest) if total else [],
        "year": facts.year_words(digest),
        "no_readings": facts.no_readings(digest),
        "contact": facts.contact_words(digest),
        "pictures": pictures,
    }
    return _page("homeowner", context, tuple(pictures.values()))


def _page(template: str, context: dict[str, Any], pictures: tuple[Picture, ...]) -> Page:
    return Page(
        subject=context["subject"],
        html=render_html(f"{template}.html", context),
        text=render_text(f"{template}.txt", context),
        pictures=pictures,
    )


def _quiet(digest: ServiceDigest) -> str:
    number = len(digest.quiet)
    if not number:
        return ""
    names = f": {', '.join(digest.quiet)}" if number <= NAMED else ""
    return f"{count(number, 'site', 'sites')} with nothing to tell{names}."


def _undrawn(digest: ServiceDigest, drawn: int) -> str:
    """Says so when pictures were left out, to keep the message light."""
    without: list[FindingCard] = [card for card in digest.open if card.chart is None]
    return (
        f"Pictures are drawn for the first {drawn} findings only." if drawn and digest.more_charts and without else ""
    )
