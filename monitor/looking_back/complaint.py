"""From the store to the evidence on a complaint: a period reckoned, judged, and looked at part by part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby

from sqlalchemy import Connection

from ingest.errors import ConfigurationError
from monitor.config.models import Fleet, Site
from monitor.detect.finding import Finding
from monitor.detect.least_loss import least_losses
from monitor.looking_back.handover import compare_handover
from monitor.looking_back.part_lines import both_of, house_line, inverters_of, meter_lines, module_lines, unit_lines
from monitor.looking_back.proofs import gather_proofs
from monitor.looking_back.usual import gains_of, usual_year
from monitor.model.typical_year import (
    TypicalYear,
    share_sigma,
)
from monitor.nightly.memory import remember
from monitor.report.adding_up import Reckoning, reckon_day
from monitor.report.callback.pack import MonthLine, Pack
from monitor.report.callback.verdict import judge
from monitor.report.callback.waterfall import DayTerms, Step, build_waterfall, expected_half, without_nothing
from monitor.store.assessed import assessed_until
from monitor.store.daily import DailyRow, assessed_days, read_daily
from monitor.store.findings import Loss, read_losses
from monitor.store.rulings import told_findings

# Above this share of the energy expected, a guessed sky decides nothing.
_MOSTLY = 0.5


def gather_pack(conn: Connection, fleet: Fleet, site: Site, first: date, last: date) -> Pack:
    """All that is known about what a site made from `first` to `last`, both included."""
    until = _assessed(conn, site, first, last)
    begin, end = max(first, site.site.commissioned), min(last, until)
    rows = read_daily(conn, site=site.id, first=begin, last=end)
    losses = read_losses(conn, site=site.id, first=begin, last=end)
    every = {f.id: f for f in told_findings(conn, site=site.id, include_cleared=True)}
    history = remember(conn, site.id, until + timedelta(days=1))
    year = usual_year(conn, site, history, until)
    days = _days(site, rows, losses, every, year)
    if not days:
        raise ConfigurationError([f"site {site.id!r}: nothing was read of its inverters from {first} to {last}"])
    reckoned = [term.reckoning.first for term in days]
    quoted = sum(term.quoted or 0.0 for term in days) / 1000.0
    split = share_sigma(year, reckoned) * (site.site.quoted_kwh_per_year or 0.0) / quoted if quoted else 0.0
    waterfall = without_nothing(build_waterfall(days, every, usual_relative=year.sky.relative, split_relative=split))
    sources = _sources(rows)
    is_guess = sources.get("clear_sky", 0.0) > _MOSTLY
    findings = _touching(every, waterfall.steps, begin, end)
    return Pack(
        fleet=fleet.settings.fleet.name,
        site=site,
        asked=(first, last),
        assessed_until=until,
        days_asked=(last - first).days + 1,
        days=len(days),
        waterfall=waterfall,
        verdict=judge(waterfall, every, covered=len(days) / ((last - first).days + 1), is_guess=is_guess),
        findings=findings,
        months=_months(days),
        usual=year.sky,
        year_on_paper=float(year.on_paper.sum()),
        split_relative=split,
        gains={u: gains_of(site, history, u, until) for u in inverters_of(site)},
        sources=sources,
        units=unit_lines(site, rows, begin, end),
        modules=module_lines(conn, site, rows, end),
        meters=meter_lines(site, rows),
        house=house_line(conn, site, begin, end),
        handover=compare_handover(conn, site, rows, end),
        limits=tuple(least_losses(site, history, until)),
        proofs=gather_proofs(
            conn,
            fleet,
            site,
            history,
            findings,
            begin,
            end,
            felt={n for s in waterfall.steps if s.wh for n in s.findings},
        ),
        rows=tuple(rows),
    )


def _assessed(conn: Connection, site: Site, first: date, last: date) -> date:
    """The last assessed day; told in a sentence where nothing of the period is known."""
    commissioned = site.site.commissioned
    if last < commissioned:
        raise ConfigurationError([
            f"--until {last}: {site.id} was commissioned on {commissioned} (site.commissioned); expected a period "
            "after that"
        ])  # fmt: skip
    until = assessed_until(conn, site.id)
    if until is None:
        raise ConfigurationError([f"site {site.id!r}: no night is assessed yet; run aftercare assess first"])
    begun = assessed_days(conn, site.id)[0] or until
    if last < begun or first > until:
        raise ConfigurationError([
            f"--from {first} --until {last}: no figures of {site.id} in this period; it is assessed from {begun} to "
            f"{until}"
        ])  # fmt: skip
    return until


def _days(
    site: Site, rows: Sequence[DailyRow], losses: Sequence[Loss], findings: Mapping[str, Finding], year: TypicalYear
) -> list[DayTerms]:
    by_day: dict[date, list[Loss]] = {}
    for loss in losses:
        by_day.setdefault(loss.day, []).append(loss)
    found = []
    for day, of_day in groupby(rows, lambda row: row.day):
        here = list(of_day)
        lost = by_day.get(day, [])
        reckoning = reckon_day(site, day, here, [(findings[one.finding_id], one.lost_kwh) for one in lost])
        if reckoning is not None and not _is_silent(reckoning, here):
            found.append(_terms(site, here, lost, reckoning, year))
    return found


def _is_silent(reckoning: Reckoning, rows: Sequence[DailyRow]) -> bool:
    """Whether nothing is known of a day: no inverter was read, and no finding tells what became of its energy."""
    was_read = any(row.measured_kwh is not None for row in rows if row.subject.startswith("inverter:"))
    return not was_read and not sum(reckoning.findings.values()) and not sum(reckoning.notes.values())


def _terms(
    site: Site, rows: Sequence[DailyRow], lost: Sequence[Loss], reckoning: Reckoning, year: TypicalYear
) -> DayTerms:
    day, by_subject = reckoning.first, {row.subject: row for row in rows}
    inverters = [row for unit in inverters_of(site) if (row := by_subject.get(unit)) is not None]
    told = [row for row in inverters if row.expected_kwh is not None]
    low = sum(_or(row.expected_low_kwh, row.expected_kwh) for row in told)
    high = sum(_or(row.expected_high_kwh, row.expected_kwh) for row in told)
    site_row = by_subject.get("site")
    index = None if site_row is None else site_row.features.get("index")
    quote = site.site.quoted_kwh_per_year
    both = [pair for meter in site.meter if (pair := both_of(site, meter.id, by_subject)) is not None]
    return DayTerms(
        reckoning=reckoning,
        low=1000.0 * low,
        high=1000.0 * high,
        opened=reckoning.expected * year.opened(day, index),
        usual=1000.0 * year.usual_kwh(day),
        quoted=None if quote is None else 1000.0 * quote * year.share(day),
        shown=1000.0 * sum(meter for meter, _ in both),
        beside=1000.0 * sum(inverter for _, inverter in both),
        ranges={one.finding_id: (one.lost_kwh, one.low, one.high) for one in lost},
    )


def _touching(every: Mapping[str, Finding], steps: Sequence[Step], first: date, last: date) -> tuple[Finding, ...]:
    """Findings of the period, and those that steps rest on; the costliest first, notes last."""
    named = {name for step in steps for name in step.findings}
    chosen = [f for f in every.values() if f.id in named or (f.since <= last and f.last_seen >= first)]
    return tuple(sorted(chosen, key=lambda f: (f.level == "note", -f.lost_kwh, f.raised, f.id)))


def _months(days: Sequence[DayTerms]) -> tuple[MonthLine, ...]:
    found = []
    for (year, month), of_month in groupby(days, lambda d: (d.reckoning.first.year, d.reckoning.first.month)):
        part = list(of_month)
        expected = sum(d.reckoning.expected for d in part) / 1000.0
        half = expected_half(part) / 1000.0
        quoted = None if any(d.quoted is None for d in part) else sum(d.quoted or 0.0 for d in part) / 1000.0
        found.append(
            MonthLine(
                first=date(year, month, 1), days=len(part),
                measured=sum(d.reckoning.measured for d in part) / 1000.0, expected=expected,
                low=max(0.0, expected - half), high=expected + half, quoted=quoted,
            )
        )  # fmt: skip
    return tuple(found)


def _sources(rows: Sequence[DailyRow]) -> dict[str, float]:
    """Share of the energy expected by what told of the sky."""
    found: dict[str, float] = {}
    for row in rows:
        if row.subject == "site" and row.irradiation_source is not None:
            found[row.irradiation_source] = found.get(row.irradiation_source, 0.0) + (row.expected_kwh or 0.0)
    total = sum(found.values())
    return {name: kwh / total for name, kwh in found.items()} if total > 0.0 else {}


def _or(value: float | None, other: float | None) -> float:
    return value if value is not None else other or 0.0
