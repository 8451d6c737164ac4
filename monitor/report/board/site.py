"""What the store knows of a site, made into its page's data. Nothing here reads the store."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from ingest.sources import points_of
from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import subject_in_words
from monitor.detect.told import told_by
from monitor.model.learned_sky import LearnedSky
from monitor.report.board.balance import balance_of
from monitor.report.board.energies import daily_bars, monthly_bars
from monitor.report.board.evidence import evidence_words, other_cause
from monitor.report.board.lines import line_of
from monitor.report.board.sheet import Entry, Picture, SiteSheet, SourceTold
from monitor.report.board.skies import SkyDrawing, skies_of
from monitor.report.digest import FindingChart
from monitor.report.energies import daily_energy, day_span
from monitor.report.facts import chart_alt
from monitor.report.gather import figures_by_day
from monitor.report.ranking import NextYear, is_unsafe, turn
from monitor.report.service import (
    WEEKS_BEFORE,
    chart_days,
    chart_subject,
    finding_card,
    finding_chart,
    sibling_line,
    sibling_of,
)
from monitor.report.words import count, day_words
from monitor.store.daily import DailyRow
from monitor.store.findings import Loss

YEAR = timedelta(days=365)
PICTURES = 4  # of findings, on one page
_ACTS = ("urgent", "visit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """All that is known of a site as of its last assessed night (None: no night yet)."""

    site: Site
    until: date | None
    findings: Sequence[Finding]
    last_days: Mapping[str, date]  # by source, the last day with readings
    is_heard: bool
    currency: str
    values: Mapping[str, NextYear]
    rows: Sequence[DailyRow] = ()
    losses: Sequence[Loss] = ()
    skies: Mapping[str, LearnedSky] | None = None
    limits: Sequence[tuple[str, str]] = ()  # subject and what its data would reveal
    troubles: Mapping[str, str] | None = None  # of devices, by source

    @property
    def last_heard(self) -> date | None:
        """The last day with readings of the home itself."""
        return max((day for name, day in self.last_days.items() if name not in self.site.services), default=None)


@dataclass(frozen=True, slots=True)
class Drawings:
    """What the pictures of a page are drawn from, by the name of their file."""

    findings: Mapping[str, FindingChart]
    skies: Mapping[str, SkyDrawing]


def site_sheet(known: Known) -> tuple[SiteSheet, Drawings]:
    """A site's page, and what its pictures are drawn from."""
    site, until = known.site, known.until
    line = line_of(
        site, known.findings, known.values, last_heard=known.last_heard, is_heard=known.is_heard,
        currency=known.currency,
    )  # fmt: skip
    by_id = {f.id: f for f in known.findings}
    rows: dict[str, list[DailyRow]] = {}
    for row in known.rows:
        rows.setdefault(row.subject, []).append(row)
    charts = {} if until is None else _charts(known, rows, until)
    entries = [(f, _entry(known, f, charts.get(f.id))) for f in _in_order(known)]
    skies, drawn = skies_of(site, known.skies or {}, until)
    figures = figures_by_day(rows.get("site", []))
    lost = _lost_to_act_on(known.losses, by_id)
    sheet = SiteSheet(
        line=line,
        until=until,
        currency=known.currency,
        roof=_roof(site),
        open=tuple(e for f, e in entries if f.state == "open" and f.level != "note"),
        notes=tuple(e for f, e in entries if f.state == "open" and f.level == "note"),
        past=tuple(e for f, e in entries if f.state == "cleared"),
        months=None if until is None else monthly_bars(figures, lost, until),
        days=None if until is None else daily_bars(figures, lost, until),
        balance=None
        if until is None
        else balance_of(site, (r for r in known.rows if r.day > until - YEAR), known.losses, by_id),
        skies=skies,
        limits=tuple(_alike(site, known.limits)),
        sources=tuple(_sources(known)),
    )
    return sheet, Drawings({_picture_file(site, i): charts[i] for i in charts}, drawn)


def _in_order(known: Known) -> list[Finding]:
    """Open ones as somebody should look at them, then those that are over, the last one first."""
    standing = [f for f in known.findings if f.state == "open"]
    over = [f for f in known.findings if f.state == "cleared"]
    return [
        *sorted(standing, key=lambda f: turn(f, known.values.get(f.id))),
        *sorted(over, key=lambda f: (f.cleared or date.min, f.id), reverse=True),
    ]


def _entry(known: Known, finding: Finding, chart: FindingChart | None) -> Entry:
    card = finding_card(
        finding, known.site, since_last=date.max, chart=chart, ahead=known.values.get(finding.id)
    )  # fmt: skip
    picture = None
    if chart is not None:
        picture = Picture(_picture_file(known.site, finding.id), chart_alt(card, chart), _key(chart))
    return Entry(
        card=replace(card, chart=None),
        level=finding.level,
        may_be_danger=is_unsafe(finding),
        evidence=evidence_words(finding),
        other_cause=other_cause(finding),
        picture=picture,
    )


def _charts(known: Known, rows: Mapping[str, Sequence[DailyRow]], until: date) -> dict[str, FindingChart]:
    """Pictures of the first findings that are open, or were lately, by id."""
    found: dict[str, FindingChart] = {}
    for finding in _in_order(known):
        subject = chart_subject(finding)
        is_over = finding.cleared is not None and finding.cleared < until - WEEKS_BEFORE
        if len(found) == PICTURES or subject is None or finding.level == "note" or is_over:
            continue
        days = day_span(*chart_days(finding, until))
        daily = daily_energy(figures_by_day(rows.get(subject, [])), days)
        other = sibling_of(known.site, finding)
        beside = rows.get(f"string:{other}", [])
        line = (
            sibling_line(known.site, finding, other, daily_energy(figures_by_day(beside), days))
            if other is not None and beside
            else None
        )
        chart = finding_chart(finding, daily, line)
        if chart is not None:
            found[finding.id] = chart
    return found


def _picture_file(site: Site, finding_id: str) -> str:
    return f"{site.id}.finding-{hashlib.sha256(finding_id.encode()).hexdigest()[:10]}.png"


def _key(chart: FindingChart) -> str:
    return hashlib.sha256(repr(chart).encode()).hexdigest()[:16]


def _lost_to_act_on(losses: Sequence[Loss], findings: Mapping[str, Finding]) -> dict[date, float]:
    """What open findings that somebody should act on lost, by day."""
    found: dict[date, float] = {}
    for loss in losses:
        finding = findings.get(loss.finding_id)
        if finding is not None and finding.state == "open" and finding.level in _ACTS:
            found[loss.day] = found.get(loss.day, 0.0) + loss.lost_kwh
    return found


def _roof(site: Site) -> str:
    """4.0 kWp in 2 strings on inverter inv1, in use since 2 May 2024"""
    size = sum(s.rated_w for s in site.string) / 1000.0
    inverters = " and ".join(i.id for i in site.inverter)
    word = "inverter" if len(site.inverter) == 1 else "inverters"
    strings = count(len(site.string), "string", "strings")
    return f"{size:.1f} kWp in {strings} on {word} {inverters}, in use since {day_words(site.site.commissioned)}"


def _alike(site: Site, limits: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Limits in words, modules that would reveal the same put together."""
    found: dict[str, list[str]] = {}
    for subject, words in limits:
        found.setdefault(words, []).append(subject)
    rows = []
    for words, subjects in found.items():
        modules = [s for s in subjects if s.startswith("module:")]
        rows += [(subject_in_words(site, s), words) for s in subjects if s not in modules]
        if modules:
            named = f"{len(modules)} modules" if len(modules) > 1 else subject_in_words(site, modules[0])
            rows.append((named, words))
    return rows


def _sources(known: Known) -> list[SourceTold]:
    """Where readings come from; what they tell of a household stays out of it."""
    site, powers = known.site, told_by(known.site)
    found = []
    for source in site.source:
        subjects = powers.get(source.id, ())
        if source.id in site.services:
            tells = "weather of the place, from a service"
        elif subjects:
            tells = ", ".join(subject_in_words(site, subject) for subject in subjects)
        elif all(p.of == "site" for p in points_of(source)):
            tells = "weather of the site"
        else:
            tells = "other readings"
        last = known.last_days.get(source.id)
        trouble = (known.troubles or {}).get(source.id, "")
        found.append(SourceTold(source.id, tells, day_words(last) if last else "none yet", trouble))
    return found
