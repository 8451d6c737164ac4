"""What a site was expected to make, made and lost, read out of the store and added up."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

from monitor.config import Site
from monitor.detect.finding import Finding
from monitor.report.adding_up import By, Reckoning, reckon_day, sum_up, together
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.daily import read_daily
from monitor.store.findings import read_losses
from monitor.store.rulings import told_findings


@dataclass(frozen=True, slots=True)
class LossSheet:
    """A site's energies by month or day, and the findings named in them."""

    site: str
    until: date | None
    by: By
    parts: tuple[Reckoning, ...]
    findings: dict[str, Finding]


def read_loss_sheet(store: Store, site: Site, first: date | None, last: date | None, by: By) -> LossSheet:
    """Add up the assessed days first to last of a site, both included."""
    with store.read() as conn:
        known = {f.id: f for f in told_findings(conn, site=site.id, include_cleared=True)}
        rows = read_daily(conn, site=site.id, first=first, last=last)
        losses = read_losses(conn, site=site.id, first=first, last=last)
        until = assessed_until(conn, site.id)
    lost: dict[date, list[tuple[Finding, float]]] = {}
    for loss in losses:
        lost.setdefault(loss.day, []).append((known[loss.finding_id], loss.lost_kwh))
    days = [reckon_day(site, day, list(of_day), lost.get(day, [])) for day, of_day in groupby(rows, lambda r: r.day)]
    parts = sum_up([day for day in days if day is not None], by)
    named = {name for part in parts for name in part.findings}
    return LossSheet(site.id, until, by, tuple(parts), {name: known[name] for name in sorted(named)})


def losses_document(sheet: LossSheet) -> dict[str, Any]:
    """The sums as other programs read them: whole watt-hours, so that they add up exactly."""
    return {
        "schema": 1,
        "site": sheet.site,
        "assessed_until": sheet.until.isoformat() if sheet.until else None,
        "by": sheet.by,
        "unit": "Wh",
        "parts": [_part(part) for part in sheet.parts],
        "total": _part(together(sheet.parts)) if sheet.parts else None,
        "findings": {
            name: {"subject": f.subject, "cause": f.cause, "level": f.level, "state": f.state, "verdict": f.verdict}
            for name, f in sheet.findings.items()
        },
    }


def losses_rows(sheet: LossSheet) -> list[tuple[str, ...]]:
    """A table for a person [kWh], heads first, a row a part and one for the whole."""
    heads = ("month" if sheet.by == "month" else "day", "days", "expected", "measured", "findings", "notes", "gaps",
             "unexplained", "")  # fmt: skip
    rows = [_row(_name(part, sheet.by), part) for part in sheet.parts]
    total = [_row("all", together(sheet.parts))] if len(sheet.parts) > 1 else []
    return [heads, *rows, *total]


def losses_remarks(sheet: LossSheet) -> Iterator[str]:
    """What stands below the table: each finding's part, and where the rest of what they told went."""
    if not sheet.parts:
        return
    total = together(sheet.parts)
    for name, wh in sorted(total.findings.items(), key=lambda pair: -pair[1]):
        finding = sheet.findings[name]
        yield f"{finding.subject} {finding.cause} ({name}): {wh / 1000:.1f} kWh"
    for cause, wh in sorted(total.notes.items(), key=lambda pair: -pair[1]):
        if wh:
            yield f"{cause}, which is no fault: {wh / 1000:.1f} kWh"
    if any(sheet.findings[name].subject.startswith(("string:", "module:")) for name in total.findings):
        yield "strings and modules count by what their inverter makes of their direct current"
    if total.left_out:
        left = f"{total.left_out / 1000:.1f} kWh"
        yield f"told by findings, but lost to others already or never expected of those days: {left}"
    if total.beyond_expected:
        yield f"above what the inverters can make, so never expected: {total.beyond_expected / 1000:.1f} kWh"


def _part(part: Reckoning) -> dict[str, Any]:
    return {
        "first": part.first.isoformat(),
        "last": part.last.isoformat(),
        "days": part.days,
        "expected": part.expected,
        "measured": part.measured,
        "findings": dict(part.findings),
        "notes": dict(part.notes),
        "gaps": part.gaps,
        "unexplained": part.unexplained,
        "left_out": part.left_out,
        "beyond_expected": part.beyond_expected,
    }


def _name(part: Reckoning, by: By) -> str:
    return f"{part.first:%Y-%m}" if by == "month" else part.first.isoformat()


def _row(name: str, part: Reckoning) -> tuple[str, ...]:
    energies: Sequence[int] = (
        part.expected, part.measured, sum(part.findings.values()), sum(part.notes.values()), part.gaps
    )  # fmt: skip
    share = f"{part.unexplained / part.expected:+.0%}" if part.expected else ""
    return name, str(part.days), *(f"{wh / 1000:.1f}" for wh in energies), f"{part.unexplained / 1000:+.1f}", share
