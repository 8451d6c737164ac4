"""Where twelve months of a roof's energy went, by cause, to the watt-hour."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import groupby

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.report.adding_up import Reckoning, reckon_day, together
from monitor.report.board.sheet import Balance, Share
from monitor.report.words import cause_words
from monitor.store.daily import DailyRow
from monitor.store.findings import Loss


def balance_of(
    site: Site, rows: Iterable[DailyRow], losses: Sequence[Loss], findings: Mapping[str, Finding]
) -> Balance | None:
    """What was expected of the days of `rows` and where it went; None where nothing was expected."""
    lost: dict[date, list[tuple[Finding, float]]] = {}
    for loss in losses:
        if loss.finding_id in findings:
            lost.setdefault(loss.day, []).append((findings[loss.finding_id], loss.lost_kwh))
    days = [reckon_day(site, day, list(of_day), lost.get(day, [])) for day, of_day in groupby(rows, lambda r: r.day)]
    known = [day for day in days if day is not None]
    return _told(together(known), findings) if known else None


def _told(whole: Reckoning, findings: Mapping[str, Finding]) -> Balance:
    by_cause: dict[str, int] = {}
    for name, wh in whole.findings.items():
        cause = findings[name].cause
        by_cause[cause] = by_cause.get(cause, 0) + wh
    rows = [("Made", whole.measured)]
    rows += [(cause_words(cause), wh) for cause, wh in sorted(by_cause.items(), key=lambda pair: -pair[1]) if wh]
    rows += [
        (f"{cause_words(cause)} (normal)", wh)
        for cause, wh in sorted(whole.notes.items(), key=lambda pair: -pair[1])
        if wh
    ]
    rows += [("Expected while no readings came", whole.gaps)] if whole.gaps else []
    rows.append(("Unexplained" if whole.unexplained >= 0 else "Made beyond what was expected", whole.unexplained))
    return Balance(
        first=whole.first,
        last=whole.last,
        days=whole.days,
        expected=whole.expected,
        shares=tuple(Share(label, wh, wh / whole.expected if whole.expected else None) for label, wh in rows),
    )
