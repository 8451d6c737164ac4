"""Findings and daily energies to the service team's digest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import subject_in_words
from monitor.report.board.evidence import other_cause
from monitor.report.changes import Change
from monitor.report.digest import DailyEnergy, FindingCard, FindingChart, Sibling, Story
from monitor.report.energies import compare
from monitor.report.grouping import Group, clustered, ways_in
from monitor.report.proof.drawing import Proof
from monitor.report.ranking import NextYear, is_unsafe, turn
from monitor.report.steps import steps_of
from monitor.report.words import DATA_CAUSES, cause_words, day_words, join_names

WEEKS_BEFORE = timedelta(days=35)
LONGEST_CHART = timedelta(days=90)
MOST_PICTURES = 5  # of a morning, so that the message stays below 300 kB
_AS_BEFORE = Change("unchanged")
_STRING_CAUSES = ("failed_string", "underperforming_string")


def ranked(findings: Sequence[Finding], values: Mapping[str, NextYear]) -> list[Finding]:
    """What may be a danger first, then urgent; within a level by what the next year is worth, then by cost."""
    return sorted(findings, key=lambda f: turn(f, values.get(f.id)))


def chart_days(finding: Finding, as_of: date) -> tuple[date, date]:
    """First and last day of a finding's picture: five weeks of before, and never more than 90 days."""
    return max(finding.since - WEEKS_BEFORE, as_of - LONGEST_CHART + timedelta(days=1)), as_of


def chart_subject(finding: Finding) -> str | None:
    """Whose daily energies show a finding; None when daily energies prove nothing of it."""
    kind = finding.subject.partition(":")[0]
    shown = kind in ("site", "inverter", "string", "module") and finding.cause not in DATA_CAUSES
    return finding.subject if shown else None


def sibling_of(site: Site, finding: Finding) -> str | None:
    """The id of a string that a string in trouble is best compared with: same plane, then same inverter."""
    kind, _, name = finding.subject.partition(":")
    this = next((s for s in site.string if s.id == name), None)
    if kind != "string" or this is None or finding.cause not in _STRING_CAUSES:
        return None
    others = [s for s in site.string if s is not this]
    alike = [s for s in others if s.plane == this.plane] or [s for s in others if s.inverter == this.inverter]
    return min(alike, key=lambda s: (s.inverter != this.inverter, s.id)).id if alike else None


def sibling_line(site: Site, finding: Finding, sibling_id: str, daily: DailyEnergy) -> Sibling:
    """The sibling's energies, brought to the nameplate of the string in trouble."""
    rated = {s.id: s.rated_w for s in site.string}
    factor = rated[finding.subject.removeprefix("string:")] / rated[sibling_id]
    scaled = abs(factor - 1) > 0.005
    return Sibling(
        label=f"string {sibling_id}, scaled to this size" if scaled else f"string {sibling_id}, its sibling",
        measured=tuple(factor * energy for energy in daily.measured),
    )


def finding_card(
    finding: Finding,
    site: Site,
    *,
    since_last: date,
    chart: FindingChart | None = None,
    ahead: NextYear | None = None,
    change: Change = _AS_BEFORE,
) -> FindingCard:
    """A finding in the words of the digest."""
    before, since = _shares(finding, chart)
    return FindingCard(
        site=site.site.name,
        subject=subject_in_words(site, finding.subject),
        cause=cause_words(finding.cause),
        level=finding.level,
        state=finding.state,
        is_new=finding.raised >= since_last,
        since=finding.since,
        raised=finding.raised,
        cleared=finding.cleared,
        confidence=finding.confidence,
        lost=finding.lost_kwh,
        lost_low=finding.lost_kwh_low,
        lost_high=finding.lost_kwh_high,
        lost_money=finding.lost_money,
        ahead=None if ahead is None else ahead.kwh,
        ahead_money=None if ahead is None else ahead.money,
        summary=finding.summary,
        check_first=finding.advice.get("service", ""),
        verdict=finding.verdict,
        verdict_note=finding.evidence.get("verdict", {}).get("note", ""),
        share_before=before,
        share_since=since,
        chart=chart,
        change=change.kind,
        why=change.why,
        otherwise=other_cause(finding),
        may_be_danger=is_unsafe(finding),
        last_seen=finding.last_seen,
    )


def story(group: Group, cards: Sequence[FindingCard], proven: tuple[Proof, str] | None = None) -> Story:
    """A group of findings as one story."""
    first = group.findings[0]
    proof, alt = proven or (None, "")
    return Story(
        cards=tuple(cards), steps=steps_of(first.advice.get("service", "")), common=group.common, proof=proof,
        proof_alt=alt,
    )  # fmt: skip


def by_place(stories: Sequence[Story]) -> tuple[Story, ...]:
    """Stories in their order, but those of one place behind the first of it."""
    places = list(dict.fromkeys(story.sites for story in stories))
    return tuple(sorted(stories, key=lambda story: places.index(story.sites)))


@dataclass(frozen=True, slots=True)
class Silence:
    """A site, or one source of it (`subject`), without readings since the day after `last`."""

    site: Site
    subject: str
    last: date | None


def silence_lines(silences: Sequence[Silence], sites: int) -> tuple[str, ...]:
    """A line a silence; those that began together and come the same way share one, and so do all sites at once."""
    whole = {s.site.id for s in silences if s.subject == "site"}
    if sites > 1 and len(whole) == sites:
        latest = max((s.last for s in silences if s.last is not None), default=None)
        return (f"All {sites} sites: {_last_words(latest)}; look for the cause at our own end first",)
    return tuple(_silence_line(cluster) for cluster in clustered(silences, _fell_silent_together))


def _fell_silent_together(one: Silence, other: Silence) -> bool:
    if one.last is None or other.last is None or abs(one.last - other.last) > timedelta(days=1):
        return False
    return one.site is other.site or bool(ways_in(one.site, one.subject) & ways_in(other.site, other.subject))


def _silence_line(cluster: Sequence[Silence]) -> str:
    first = cluster[0]
    names = list(dict.fromkeys(s.site.site.name for s in cluster))
    told = _last_words(first.last)
    if len(names) > 1:
        return f"{join_names(names)}: {told}; they come the same way, so look there first"
    sources = [subject_in_words(s.site, s.subject) for s in cluster if s.subject != "site"]
    return f"{names[0]}{', ' if sources else ''}{join_names(sources)}: {told}"


def _last_words(last: date | None) -> str:
    return f"last readings on {day_words(last)}" if last else f"none for {LONGEST_CHART.days} days or more"


def finding_chart(finding: Finding, daily: DailyEnergy, sibling: Sibling | None) -> FindingChart | None:
    """The picture's data; None when there is nothing to draw."""
    if compare(daily).days == 0:
        return None
    return FindingChart(
        daily=daily,
        since=finding.since,
        until=finding.last_seen if finding.state == "cleared" else daily.days[-1],
        asks_for_action=finding.level in ("urgent", "visit"),
        sibling=sibling,
    )


def _shares(finding: Finding, chart: FindingChart | None) -> tuple[float | None, float | None]:
    if chart is None:
        return None, None
    before = compare(chart.daily, last=finding.since - timedelta(days=1))
    since = compare(chart.daily, first=finding.since, last=chart.until)
    return (before.share if before.days >= 7 else None), since.share
