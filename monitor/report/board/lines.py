"""A site in one line: in which group it stands, and what of it needs somebody most."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import subject_in_words
from monitor.report.board.sheet import Group, Line
from monitor.report.ranking import NextYear, is_unsafe, turn
from monitor.report.words import LEVELS, about_kwh, cause_words, count, day_words, kwh, money, sure_words


def troubles(findings: Sequence[Finding]) -> list[Finding]:
    """What of a site's findings is open and no mere note."""
    return [f for f in findings if f.state == "open" and f.level != "note"]


def group_of(findings: Sequence[Finding], *, is_heard: bool) -> Group:
    """Where a site stands: by its worst open finding, but silence comes before what is only watched."""
    standing = troubles(findings)
    levels = {f.level for f in standing}
    if "urgent" in levels or any(is_unsafe(f) for f in standing):
        return "today"
    if "visit" in levels:
        return "visit"
    if not is_heard:
        return "silent"
    return "watch" if levels else "quiet"


def level_words(finding: Finding) -> str:
    """Visit, may be a danger"""
    danger = ", may be a danger" if is_unsafe(finding) else ""
    return f"{LEVELS[finding.level][0]}{danger}"


def line_of(
    site: Site, findings: Sequence[Finding], values: Mapping[str, NextYear], *, last_heard: date | None,
    is_heard: bool, currency: str,
) -> Line:  # fmt: skip
    """A site's line; energies are those of all its open findings together."""
    group = group_of(findings, is_heard=is_heard)
    standing = sorted(troubles(findings), key=lambda f: turn(f, values.get(f.id)))
    name = site.site.name
    heard = f"last readings on {day_words(last_heard)}" if last_heard else "no readings yet"
    if not standing:
        what = heard if group == "silent" else ""
        order = (float(last_heard.toordinal()),) if group == "silent" and last_heard else ()
        return Line(id=site.id, name=name, group=group, what=what, order=order)
    worst = standing[0]
    more = f", and {count(len(standing) - 1, 'other finding', 'other findings')}" if len(standing) > 1 else ""
    what = f"{subject_in_words(site, worst.subject)}{more}"
    return Line(
        id=site.id,
        name=name,
        group=group,
        level=level_words(worst),
        cause=cause_words(worst.cause),
        what=f"{what}; {heard}" if group == "silent" else what,
        since=worst.since.isoformat(),
        lost=_energy([(f.lost_kwh, f.lost_money) for f in standing], currency, kwh),
        ahead=_energy(
            [(v.kwh, v.money) for f in standing if (v := values.get(f.id)) is not None], currency, about_kwh
        ),
        sure=sure_words(worst.confidence),
        order=tuple(float(part) for part in turn(worst, values.get(worst.id))[:4]),
    )  # fmt: skip


def _energy(parts: Sequence[tuple[float, float | None]], currency: str, say: Callable[[float], str]) -> str:
    """101 kWh, 30.22 GBP"""
    if not parts:
        return ""
    total = sum(energy for energy, _ in parts)
    if total < 0.05:
        return ""
    told = [price for _, price in parts if price is not None]
    worth = f", {money(sum(told), currency)}" if len(told) == len(parts) else ""
    return f"{say(total)} kWh{worth}"
