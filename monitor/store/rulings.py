"""What engineers said of findings: kept apart from what nights find, so that no replay takes it back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import Connection, select

from monitor.detect.finding import Finding
from monitor.detect.ruling import Ruling, still_to_come
from monitor.store import schema
from monitor.store.assessed import assessed_sites, assessed_until
from monitor.store.findings import findings_of, list_findings
from monitor.store.rows import portions, records, to_row, upsert


def write_ruling(conn: Connection, ruling: Ruling) -> None:
    """Keep a verdict; one on the same finding and day is replaced."""
    upsert(conn, schema.ruling, [to_row(ruling)])


def rulings_of(conn: Connection, sites: Sequence[str]) -> dict[str, list[Ruling]]:
    """All verdicts of some sites, in order of day and instant; sites without any are left out."""
    c = schema.ruling.c
    found: dict[str, list[Ruling]] = {}
    for some in portions(sites):
        query = select(schema.ruling).where(c.site.in_(some)).order_by(c.site, c.day, c.given_at, c.finding_id)
        for ruling in records(Ruling, conn.execute(query)):
            found.setdefault(ruling.site, []).append(replace(ruling, renews=tuple(ruling.renews)))
    return found


def told_findings_of(conn: Connection, sites: Sequence[str]) -> dict[str, list[Finding]]:
    """The findings of many sites as people know them, cleared ones too, by site."""
    rulings, nights = rulings_of(conn, sites), assessed_sites(conn)
    found = findings_of(conn, sites)
    return {
        site: [still_to_come(f, rulings[site], nights.get(site)) for f in of_site] if site in rulings else of_site
        for site, of_site in found.items()
    }


def told_findings(conn: Connection, *, site: str, include_cleared: bool = False) -> list[Finding]:
    """A site's findings as people know them: as the nights left them, under verdicts that no night has seen yet."""
    rulings = rulings_of(conn, [site]).get(site, [])
    if not rulings:
        return list_findings(conn, site=site, include_cleared=include_cleared)
    until = assessed_until(conn, site)
    found = [still_to_come(f, rulings, until) for f in list_findings(conn, site=site, include_cleared=True)]
    return [f for f in found if include_cleared or f.state == "open"]
