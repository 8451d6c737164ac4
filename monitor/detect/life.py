"""The life of a finding: raised, open, quiet again, cleared, reopened as the same trouble."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from monitor.detect.finding import Finding
from monitor.detect.night import PAPERS, DayLoss, SiteNight, Verdict
from monitor.detect.price import kwh_price
from monitor.detect.table import KINDS
from monitor.detect.words import advice, summary

# A trouble that comes back within a month is the same trouble, unless an engineer has closed it.
_REOPEN = timedelta(days=30)
# Nights on which nothing could be judged are remembered for so long as possibly lost.
_UNSEEN_DAYS = 90


@dataclass(frozen=True, slots=True)
class Change:
    """What a night did to one finding."""

    finding: Finding
    what: str  # raised, reopened, renamed, seen, good_day, unseen, cleared
    losses: tuple[DayLoss, ...] = ()


@dataclass(frozen=True, slots=True)
class Known:
    """A finding that somebody has spoken of: its id, and what it was."""

    finding_id: str
    subject: str
    cause: str
    raised: date


Suspected = Callable[[str, str], Sequence[date]]  # subject, cause -> earlier nights of trouble in a row, newest first


def advance(
    night: SiteNight,
    verdicts: Sequence[Verdict],
    known: Sequence[Finding],
    *,
    suspected: Suspected,
    raised: date,
    taken_back: Sequence[Finding] = (),
    judged: Sequence[Known] = (),
) -> list[Change]:
    """Move a site's findings on by one night.

    Parameters
    ----------
    night : SiteNight
        The night (for the site and the day).
    verdicts : sequence of Verdict
        At most one per subject and cause, except for what a gap had hidden.
    known : sequence of Finding
        The site's findings, open and cleared, as of the night before.
    suspected : callable
        Earlier nights in a row on which a subject already looked troubled without being reported.
    raised : date
        Day that new findings are stamped with.
    taken_back : sequence of Finding, optional
        Findings of nights that are being assessed again: found again, they keep their id and their `raised`.
    judged : sequence of Known, optional
        Findings that engineers have spoken of: found again about the same time, they keep their id.
    """
    ids = {f.id for f in known}
    free = [j for j in judged if j.finding_id not in ids and j.finding_id not in {f.id for f in taken_back}]
    origin = _Origin(suspected, raised, taken_back, free)
    current = {(f.subject, KINDS[f.cause].family): f for f in sorted(known, key=lambda f: (f.raised, f.id))}
    changes: dict[tuple[str, str], Change] = {}
    for verdict in sorted(verdicts, key=lambda v: (v.says != "trouble", v.says == "healthy", -v.confidence)):
        key = (verdict.subject, KINDS[verdict.cause].family)
        if key in changes and (verdict.says != "trouble" or verdict.cause != changes[key].finding.cause):
            continue
        change = _move(night, verdict, current.get(key), origin)
        if change is not None:
            before = changes[key].losses if key in changes else ()
            changes[key] = replace(change, losses=(*before, *change.losses))
            current[key] = change.finding
    return list(changes.values())


@dataclass(frozen=True, slots=True)
class _Origin:
    """What a new finding is made from."""

    suspected: Suspected
    raised: date
    taken_back: Sequence[Finding]
    judged: Sequence[Known]


def _move(night: SiteNight, verdict: Verdict, finding: Finding | None, origin: _Origin) -> Change | None:
    if verdict.says == "trouble":
        return _trouble(night, verdict, finding, origin)
    if finding is None or finding.state == "cleared" or finding.cause != verdict.cause:
        return None
    return _good_day(night, finding) if verdict.says == "healthy" else _unseen(night, verdict, finding)


def _trouble(night: SiteNight, verdict: Verdict, finding: Finding | None, origin: _Origin) -> Change | None:
    if finding is not None and finding.state == "open":
        same = finding.cause == verdict.cause
        return _seen(night, verdict, _renamed(finding, verdict), "seen" if same else "renamed")
    by_hand = finding is not None and finding.is_closed_by_hand
    recent = finding is not None and finding.cleared is not None and night.day - finding.cleared <= _REOPEN
    if finding is not None and recent and not by_hand:
        return _seen(night, verdict, replace(_renamed(finding, verdict), state="open", cleared=None), "reopened")
    earlier = origin.suspected(verdict.subject, verdict.cause)
    if len(earlier) + 1 < verdict.nights_needed:
        return None
    since = min([verdict.since or night.day, *earlier[: verdict.nights_needed - 1]])
    if by_hand and finding is not None and finding.cleared is not None:
        since = min(max(since, finding.cleared + timedelta(1)), night.day)
    return _seen(night, verdict, _named(_fresh(night, verdict, since=since, raised=origin.raised), origin), "raised")


def _named(fresh: Finding, origin: _Origin) -> Finding:
    """A new finding under the id of the one that it is, if it was found before its nights were assessed again."""
    before = [f for f in origin.taken_back if (f.subject, f.cause) == (fresh.subject, fresh.cause)]
    if before:
        nearest = min(before, key=lambda f: abs(f.raised - fresh.last_seen))
        return replace(fresh, id=nearest.id, raised=nearest.raised)
    judged = [
        j
        for j in origin.judged
        if (j.subject, KINDS[j.cause].family) == (fresh.subject, KINDS[fresh.cause].family)
        and abs(j.raised - fresh.last_seen) <= _REOPEN
    ]
    if judged:
        return replace(fresh, id=min(judged, key=lambda j: abs(j.raised - fresh.last_seen)).finding_id)
    return fresh


def _renamed(finding: Finding, verdict: Verdict) -> Finding:
    """The finding under the cause that it is seen to have now; its earlier ones are kept in the evidence."""
    if finding.cause == verdict.cause:
        return finding
    earlier = [*finding.evidence.get("earlier_causes", ()), finding.cause]
    return replace(
        finding,
        cause=verdict.cause,
        level=KINDS[verdict.cause].level,
        confidence=verdict.confidence,
        evidence={**finding.evidence, "earlier_causes": earlier},
    )


def _fresh(night: SiteNight, verdict: Verdict, *, since: date, raised: date) -> Finding:
    text = "|".join((night.site.id, verdict.subject, verdict.cause, raised.isoformat()))
    return Finding(
        id=hashlib.sha256(text.encode()).hexdigest()[:12],
        site=night.site.id,
        subject=verdict.subject,
        cause=verdict.cause,
        level=KINDS[verdict.cause].level,
        state="open",
        since=since,
        raised=raised,
        cleared=None,
        last_seen=night.day,
        confidence=verdict.confidence,
        lost_kwh=0.0,
        lost_kwh_low=0.0,
        lost_kwh_high=0.0,
        lost_money=None,
        summary="",
    )


def _seen(night: SiteNight, verdict: Verdict, finding: Finding, what: str) -> Change:
    unseen: Mapping[str, Sequence[float]] = finding.evidence.get("unseen_days", {})
    hidden = tuple(DayLoss(date.fromisoformat(day), *values) for day, values in unseen.items())
    counted = finding.last_seen if what != "raised" else date.min
    told = tuple(loss for loss in verdict.losses if loss.day > counted or loss.day == night.day)
    losses = (*(loss for loss in hidden if loss.day not in {x.day for x in told}), *told)
    evidence: dict[str, Any] = {**verdict.evidence, "days_seen": finding.evidence.get("days_seen", 0) + 1}
    if verdict.others:
        evidence["other_causes"] = {cause: round(chance, 2) for cause, chance in verdict.others.items()}
    evidence |= {k: finding.evidence[k] for k in ("earlier_causes", "verdict") if k in finding.evidence}
    moved = replace(
        finding,
        level=verdict.level or KINDS[verdict.cause].level,
        last_seen=night.day,
        # Once the site file is doubted, what was certain before is so no longer.
        confidence=verdict.confidence if PAPERS in verdict.others else max(finding.confidence, verdict.confidence),
        lost_kwh=finding.lost_kwh + sum(loss.kwh for loss in losses),
        lost_kwh_low=finding.lost_kwh_low + sum(loss.low for loss in losses),
        lost_kwh_high=finding.lost_kwh_high + sum(loss.high for loss in losses),
        evidence=evidence,
    )
    return Change(brought_up_to_date(night, moved), what, losses)


def _good_day(night: SiteNight, finding: Finding) -> Change:
    good = finding.evidence.get("good_days", 0) + 1
    evidence = {k: v for k, v in finding.evidence.items() if k != "unseen_days"} | {"good_days": good}
    moved = replace(finding, evidence=evidence)
    if good >= KINDS[finding.cause].good_days_to_clear:
        moved = replace(moved, state="cleared", cleared=night.day)
        return Change(brought_up_to_date(night, moved), "cleared")
    return Change(brought_up_to_date(night, moved), "good_day")


def _unseen(night: SiteNight, verdict: Verdict, finding: Finding) -> Change | None:
    if not verdict.losses:
        return None
    unseen = dict(finding.evidence.get("unseen_days", {}))
    unseen |= {loss.day.isoformat(): [loss.kwh, loss.low, loss.high] for loss in verdict.losses}
    kept = dict(sorted(unseen.items())[-_UNSEEN_DAYS:])
    return Change(replace(finding, evidence={**finding.evidence, "unseen_days": kept}), "unseen")


def brought_up_to_date(night: SiteNight, finding: Finding) -> Finding:
    """The finding with its money, summary and advice brought up to date."""
    price = kwh_price(night.site, night.past)
    priced = replace(finding, lost_money=None if price is None else finding.lost_kwh * price.per_kwh)
    return replace(priced, summary=summary(night.site, priced), advice=advice(night.site, priced))
