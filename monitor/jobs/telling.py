"""What the store knows of findings, read out in the order in which somebody should look at them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from monitor.config import Fleet
from monitor.detect.finding import LEVELS, Finding
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.rulings import told_findings


@dataclass(frozen=True, slots=True)
class Told:
    """Findings, and the last night that all sites with a night are assessed for."""

    findings: list[Finding]
    assessed_until: date | None


def list_ranked_findings(fleet: Fleet, store: Store, *, site_id: str | None, include_cleared: bool) -> Told:
    """Findings of one site or of every site of the fleet: the gravest first, then what cost most."""
    sites = [site_id] if site_id is not None else [site.id for site in fleet.sites]
    with store.read() as conn:
        found = [f for site in sites for f in told_findings(conn, site=site, include_cleared=include_cleared)]
        nights = [night for site in sites if (night := assessed_until(conn, site)) is not None]
    found.sort(key=lambda f: (-LEVELS.index(f.level), -f.lost_kwh, f.site, f.id))
    return Told(found, min(nights, default=None))
