"""Digest data to a page: subject, HTML that shows its pictures by Content-ID, and plain text with the same facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from monitor.detect.telling.phrases import ROOF_CAUTION
from monitor.report import facts, stories
from monitor.report.digest import HomeownerDigest, ServiceDigest, Story
from monitor.report.figures import month_figure, png
from monitor.report.proof.drawing import proof_figure
from monitor.report.service import MOST_PICTURES
from monitor.report.templating import render_html, render_text
from monitor.report.words import LEVELS, count, day_words, month_words

# Stories told in full and in a line each; the next sizes are for a morning whose page would be too heavy.
SIZES = ((10, 30), (6, 20), (4, 10), (2, 5))
HEAVIEST_HTML = 80_000
PICTURE_INCHES = 4.0  # at most, so that letters are read on a phone
PICTURE_BYTES = 130_000  # of all pictures together; mail carries them a third larger
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
    """The service team's morning, with as much told in full as a page may hold."""
    drawn = _pictures(digest.news[: SIZES[0][0]])
    for cards, lines in SIZES:
        pictures = {place: picture for place, picture in drawn.items() if place < cards}
        page = _page("service", _morning(digest, cards, lines, pictures), tuple(pictures.values()))
        if len(page.html.encode()) <= HEAVIEST_HTML:
            break
    return page


def _morning(digest: ServiceDigest, cards: int, lines: int, pictures: dict[int, Picture]) -> dict[str, Any]:
    """What the templates need: `cards` stories told in full, `lines` in a line each, of each kind."""
    told, more = digest.news[:cards], digest.news[cards : cards + lines]
    return {
        "d": digest,
        "subject": stories.service_subject(digest),
        "headline": stories.service_headline(digest),
        "lead": stories.lead(digest),
        "as_of": day_words(digest.as_of),
        "since_last": day_words(digest.since_last),
        "news": told,
        "more_news": [stories.standing_row(story) for story in more],
        "standing": [stories.standing_row(story) for story in digest.standing[:lines]],
        "standing_caption": stories.standing_caption(digest.standing, digest.currency),
        "cleared": [stories.cleared_row(story, digest.currency) for story in digest.cleared[:lines]],
        "untold": _untold(len(digest.news) - cards - lines, len(digest.standing) - lines),
        "notes": [f"{card.site}: {card.summary}" for card in digest.notes],
        "quiet": _quiet(digest),
        "undrawn": _undrawn(told, len(pictures)),
        "caution": ROOF_CAUTION if any(story.steps.needs_care for story in told) else "",
        "pictures": pictures,
        "stories": stories,
        "levels": LEVELS,
    }


def _pictures(told: Sequence[Story]) -> dict[int, Picture]:
    """Pictures by place of their story, as many as keep the message light."""
    found: dict[int, Picture] = {}
    room = PICTURE_BYTES
    for place, story in enumerate(told):
        if story.proof is None or len(found) == MOST_PICTURES:
            continue
        figure = proof_figure(story.proof)
        figure.set_size_inches(min(figure.get_figwidth(), PICTURE_INCHES), figure.get_figheight())
        data = png(figure)
        room -= len(data)
        if room < 0:
            break
        found[place] = Picture(f"proof{place + 1}", stories.story_alt(story), data)
    return found


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
        "begun": facts.begun_words(digest),
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


def _untold(*left: int) -> str:
    """What the page has no room for."""
    number = sum(max(one, 0) for one in left)
    if not number:
        return ""
    return f"And {count(number, 'more open finding', 'more open findings')}: aftercare findings tells them all."


def _undrawn(told: Sequence[Story], drawn: int) -> str:
    """Says so when pictures were left out, to keep the message light."""
    if drawn < MOST_PICTURES or len(told) <= drawn:
        return ""
    return f"Pictures are drawn for the first {drawn} only."
