"""What the store knows of findings, read out in the order in which somebody should look at them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from monitor.config import Fleet
from monitor.detect.finding import Finding
from monitor.detect.least_loss import USABLE_DAYS, Limit, least_losses
from monitor.jobs.valuing import value_findings
from monitor.nightly.memory import remember
from monitor.report.ranking import NextYear, turn
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.rulings import told_findings


@dataclass(frozen=True, slots=True)
class Told:
    """Findings, and the last night that all sites with a night are assessed for."""

    findings: list[Finding]
    assessed_until: date | None
    values: Mapping[str, NextYear]  # what the next twelve months are worth, by finding id, where that is known


def list_ranked_findings(fleet: Fleet, store: Store, *, site_id: str | None, include_cleared: bool) -> Told:
    """Findings of one site or of every site of the fleet: dangers first, then the gravest, then what is worth most."""
    sites = [site_id] if site_id is not None else [site.id for site in fleet.sites]
    with store.read() as conn:
        found = [f for site in sites for f in told_findings(conn, site=site, include_cleared=include_cleared)]
        nights = {site: night for site in sites if (night := assessed_until(conn, site)) is not None}
        values: dict[str, NextYear] = {}
        for site, night in nights.items():
            values |= value_findings(conn, fleet.site(site), [f for f in found if f.site == site], night)
    found.sort(key=lambda f: turn(f, values.get(f.id)))
    return Told(found, min(nights.values(), default=None), values)


@dataclass(frozen=True, slots=True)
class SiteLimits:
    """What cannot be seen on a site, as of its last assessed local day (None: no night yet)."""

    site: str
    until: date | None
    limits: tuple[Limit, ...]


def list_limits(fleet: Fleet, store: Store, *, site_id: str | None) -> list[SiteLimits]:
    """The least losses that would be found, of one site or of every site of the fleet."""
    found = []
    for site in fleet.sites:
        if site_id is not None and site.id != site_id:
            continue
        with store.read() as conn:
            until = assessed_until(conn, site.id)
            history = remember(conn, site.id, until + timedelta(days=1)) if until is not None else None
        limits = () if until is None or history is None else tuple(least_losses(site, history, until))
        found.append(SiteLimits(site.id, until, limits))
    return found


def limits_document(told: Sequence[SiteLimits]) -> dict[str, Any]:
    """What cannot be seen, as other programs read it; losses as shares from 0 to 1."""
    return {"schema": 1, "usable_days": USABLE_DAYS, "sites": [_limits_of(site) for site in told]}


def limits_text(told: Sequence[SiteLimits]) -> Iterator[str]:
    """What cannot be seen, for a person: a line a unit."""
    for site in told:
        until = f"as of {site.until}" if site.until else "nothing has been assessed yet"
        yield f"{site.site}: the least lasting loss that {USABLE_DAYS} usable days would show, {until}"
        for limit in site.limits:
            yield f"  {limit.subject}: {limit_words(limit)}"


def _limits_of(site: SiteLimits) -> dict[str, Any]:
    return {
        "site": site.site,
        "assessed_until": site.until.isoformat() if site.until else None,
        "limits": [
            {
                "subject": limit.subject,
                "state": limit.state,
                "least_loss": limit.witnesses[0].least_loss if limit.witnesses else None,
                "witness": limit.witnesses[0].name if limit.witnesses else None,
                "within_days": limit.witnesses[0].calendar_days if limit.witnesses else None,
                "can_tell_from": _first_day(limit),
                "witnesses": [
                    {
                        "witness": w.name, "least_loss": w.least_loss, "within_days": w.calendar_days,
                        "can_tell_from": w.from_day.isoformat() if w.from_day else None,
                    }
                    for w in limit.witnesses
                ],
                "would_help": list(limit.would_help),
            }
            for limit in site.limits
        ],
    }  # fmt: skip


def _first_day(limit: Limit) -> str | None:
    day = limit.witnesses[0].from_day if limit.witnesses else None
    return day.isoformat() if day else None


def limit_words(limit: Limit) -> str:
    """What a unit's data would reveal, in a line."""
    better = f"; less with: {', or '.join(limit.would_help)}" if limit.would_help else ""
    if limit.state == "unseen":
        return "no lasting loss short of a standstill would show" + better
    best = limit.witnesses[0]
    if best.least_loss is None:
        return f"learning, can tell from about {best.from_day} (by {best.name})" + better
    return f"{best.least_loss:.1%} by {best.name}, within about {best.calendar_days} days" + better
