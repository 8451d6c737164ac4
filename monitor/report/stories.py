"""What the service digest says of its stories: the same sentences and figures for HTML and for plain text."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.report.digest import (
    ChangeKind,
    FindingCard,
    ServiceDigest,
    Story,
)
from monitor.report.words import (
    LEVELS,
    about_kwh,
    count,
    day_words,
    join_names,
    kwh,
    money,
    range_words,
    sure_words,
)

_UNIT_OF = re.compile(r"(?P<kind>string|module) (?P<name>\S+) (?P<of>(?:on|of) .+)")
MOST_NAMED = 4  # sites called by name in a title
LEAST_LOSS = 0.05  # kWh that are worth a figure
MOST_ROWS = 10  # findings of a story with a row of their own
_COUNTED: dict[ChangeKind, str] = {"again": "back again", "worse": "worse", "renamed": "told anew"}
_STANDING = {
    "new": "New", "again": "Back again", "worse": "Worse", "renamed": "Told anew", "cleared": "Cleared",
    "unchanged": "Still open",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """A line of a table: what it is about, smaller what goes with it, and figures."""

    what: str
    below: str
    figures: tuple[str, ...]


def service_headline(digest: ServiceDigest) -> str:
    """The morning in figures, in one sentence."""
    on = f"on {count(digest.sites, 'site', 'sites')}"
    if not (digest.news or digest.standing or digest.cleared):
        return f"Nothing to do: no open finding {on}."
    return f"{_news_words(digest)}, {on}."


def lead(digest: ServiceDigest) -> str:
    """The one thing of a morning, in a sentence; empty where nothing is new."""
    if not digest.news:
        return ""
    first = digest.news[0]
    text = f"{story_title(first)}, since {day_words(first.first.since)}."
    if any(card.may_be_danger for card in first.cards):
        text += " It may be a danger."
    if first.ahead is not None and first.ahead >= 1.0:
        text += f" Left alone it costs {ahead_words(first.ahead, first.ahead_money, digest.currency)} in a year."
    return text


def story_title(story: Story) -> str:
    """What and where: String makes nothing at Plovermere Lodge: string s2 on inverter inv1"""
    what = f": {_subjects(story)}" if len(story.sites) == 1 else ""
    return f"{story.first.cause} at {story_place(story)}{what}"


def story_place(story: Story) -> str:
    """Its sites, by name."""
    return f"{join_names(story.sites[:MOST_NAMED])}{_others(story)}"


def story_heading(story: Story) -> str:
    """What is wrong, and with what, below the name of the place."""
    return f"{story.first.cause}: {_subjects(story)}" if len(story.sites) == 1 else story.first.cause


def story_caption(story: Story) -> str:
    """Over the table of several findings: all together, and how sure."""
    left = len(story.cards) - MOST_ROWS
    first = f", the first {MOST_ROWS} of them" if left > 0 else ""
    return f"{len(story.cards)} findings told together{first}; how sure: {sure_words(story.first.confidence)}"


def _subjects(story: Story) -> str:
    """Strings s1 and s2 on inverter inv1; string s1 on inverter inv1 and string s4 on inverter inv2"""
    subjects = list(dict.fromkeys(card.subject for card in story.cards))
    parts = [_UNIT_OF.fullmatch(subject) for subject in subjects]
    known = [part for part in parts if part is not None]
    if len(subjects) < 2 or len(known) < len(parts) or len({(p["kind"], p["of"]) for p in known}) > 1:
        return join_names(subjects)
    return f"{known[0]['kind']}s {join_names([p['name'] for p in known])} {known[0]['of']}"


def _others(story: Story) -> str:
    left = len(story.sites) - MOST_NAMED
    return f" and {count(left, 'more site', 'more sites')}" if left > 0 else ""


def ahead_words(ahead: float, worth: float | None, currency: str) -> str:
    """About 1,900 kWh (about 420 GBP)"""
    return f"about {about_kwh(ahead)} kWh" + (f" (about {about_kwh(worth)} {currency})" if worth is not None else "")


def standing_words(card: FindingCard) -> str:
    """New, worse, still open, or cleared."""
    return _STANDING["cleared" if card.state == "cleared" else card.change]


def story_standing(story: Story) -> str:
    """The news of a story of which only some may be new."""
    kinds = {card.change for card in story.cards}
    return next((_STANDING[kind] for kind in _STANDING if kind in kinds), _STANDING["unchanged"])


def story_facts(story: Story, currency: str) -> list[tuple[str, str]]:
    """A single finding's figures by label."""
    card = story.first
    reported = "" if card.change == "new" else f", first reported after {day_words(card.raised)}"
    facts = [("Since", day_words(card.since) + reported)]
    if card.verdict is not None:
        facts.append(
            ("Verdict", card.verdict.replace("-", " ") + (f": {card.verdict_note}" if card.verdict_note else ""))
        )
    if card.lost >= LEAST_LOSS:
        between = range_words(card.lost_low, card.lost_high)
        facts.append(("Lost so far", f"{_lost_words(card, currency)} (range {between} kWh)"))
    if card.ahead is not None and card.ahead >= 1.0:
        facts.append(("Next twelve months, if left alone", ahead_words(card.ahead, card.ahead_money, currency)))
    other = f"; otherwise most likely {card.otherwise}" if card.otherwise else ""
    facts.append(("How sure", sure_words(card.confidence) + other))
    return facts


def story_rows(story: Story, currency: str) -> list[Row]:
    """Several findings' figures: where, since when, lost so far, next twelve months."""
    return [
        Row(
            f"{f'{card.site}, ' if len(story.sites) > 1 else ''}{card.subject}",
            f"{standing_words(card)}, since {day_words(card.since)}",
            (
                _lost_words(card, currency) if card.lost >= LEAST_LOSS else "-",
                ahead_words(card.ahead, card.ahead_money, currency)
                if card.ahead is not None and card.ahead >= 1.0
                else "-",
            ),
        )
        for card in story.cards[:MOST_ROWS]
    ]


def story_reasons(story: Story) -> list[str]:
    """Why findings that were told before are told again."""
    alone = len(story.cards) == 1
    told = [card for card in story.cards if card.why]
    return [card.why if alone else f"{card.site}, {card.subject}: {card.why}" for card in told[:MOST_ROWS]]


def standing_row(story: Story) -> Row:
    """An open story in a line: what and where, level and since when, lost so far and next twelve months [kWh]."""
    card = story.first
    parts = [LEVELS[card.level][0], *([card.verdict.replace("-", " ")] if card.verdict else [])]
    parts.append(f"since {day_words(min(card.since for card in story.cards))}")
    return Row(
        story_title(story), ", ".join(parts),
        (
            kwh(story.lost) if story.lost >= LEAST_LOSS else "-",
            about_kwh(story.ahead) if story.ahead is not None and story.ahead >= 1.0 else "-",
        ),
    )  # fmt: skip


def standing_caption(stories: Sequence[Story], currency: str) -> str:
    """What all that is open as told before costs if it stays so."""
    ahead = sum(story.ahead or 0.0 for story in stories)
    if ahead < 1.0:
        return "Nothing about these has changed"
    worth = [story.ahead_money for story in stories if story.ahead is not None]
    known = [amount for amount in worth if amount is not None]
    money_too = sum(known) if len(known) == len(worth) else None
    together = "together they cost" if sum(len(story.cards) for story in stories) > 1 else "it costs"
    return f"Nothing has changed here; left alone, {together} {ahead_words(ahead, money_too, currency)} in a year"


def cleared_row(story: Story, currency: str) -> Row:
    """What is over, in a line: what and where, from when to when it showed, what it cost in all."""
    first, last = min(c.since for c in story.cards), max(c.last_seen or c.since for c in story.cards)
    span = f"on {day_words(first)}" if first == last else f"{day_words(first)} to {day_words(last)}"
    verdict = story.first.verdict
    by = f"{verdict.replace('-', ' ').capitalize()}, " if verdict else ""
    worth = f", {money(story.lost_money, currency)}" if story.lost_money is not None else ""
    return Row(story_title(story), by + span, (f"{kwh(story.lost)} kWh{worth}" if story.lost >= LEAST_LOSS else "-",))


def story_alt(story: Story) -> str:
    """What the picture of a story proves, for those who do not see it."""
    return f"{story.first.cause} at {story.first.site}. {story.proof_alt}"


def _lost_words(card: FindingCard, currency: str) -> str:
    return f"{kwh(card.lost)} kWh" + (f", {money(card.lost_money, currency)}" if card.lost_money is not None else "")


def _news_words(digest: ServiceDigest) -> str:
    """1 new finding, 2 worse, 1 cleared; 3 open as told before"""
    of = Counter(card.change for story in digest.news for card in story.cards)
    parts = [count(of["new"], "new finding", "new findings")] if of["new"] else ["No new finding"]
    parts += [f"{of[kind]} {word}" for kind, word in _COUNTED.items() if of[kind]]
    cleared = sum(len(story.cards) for story in digest.cleared)
    parts += [f"{cleared} cleared"] if cleared else []
    old = sum(len(story.cards) for story in digest.standing) + of["unchanged"]
    return ", ".join(parts) + (f"; {old} open as told before" if old else "")


def service_subject(digest: ServiceDigest) -> str:
    """Subject line of a morning."""
    if not (digest.news or digest.standing or digest.cleared):
        return f"{digest.fleet}: Nothing to do ({day_words(digest.as_of)})"
    what = _news_words(digest)
    if digest.news:
        first = digest.news[0]
        what = f"{what.partition(';')[0]}: {first.first.cause} at {story_place(first)}"
    return f"{digest.fleet}: {what} ({day_words(digest.as_of)})"
