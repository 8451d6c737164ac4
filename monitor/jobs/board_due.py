"""Which sites' pages have to be written anew."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from monitor.config import Fleet, Site
from monitor.detect.finding import Finding
from monitor.report.board.lines import group_of, troubles
from monitor.report.board.page import program_hash
from monitor.store import Store
from monitor.store.assessed import assessed_sites
from monitor.store.memory import memory_sizes
from monitor.store.readings import last_recorded
from monitor.store.rulings import told_findings_of

QUIET_DAYS = 2  # days without readings of a home, after which it is silent
# A quiet site's page follows its nights once in so many days; whatever happens there is written at once.
REST_DAYS = 7
_EPOCH = date(1970, 1, 1).toordinal()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """What decides whether a site's page is written anew."""

    site: Site
    night: date | None
    findings: Sequence[Finding]
    last_days: Mapping[str, date]
    is_heard: bool
    size: int  # of what is remembered of it


def read_stands(fleet: Fleet, store: Store) -> list[Stand]:
    """How every site of the fleet stands, read at once."""
    ids = [site.id for site in fleet.sites]
    with store.read() as conn:
        nights = assessed_sites(conn)
        findings = told_findings_of(conn, ids)
        recorded = last_recorded(conn, ids)
        sizes = memory_sizes(conn, ids)
    as_of = max((nights[one] for one in ids if one in nights), default=date.min)
    found = []
    for site in fleet.sites:
        days = {name: date.fromordinal(_EPOCH + day) for name, day in recorded[site.id].items()}
        own = [day for name, day in days.items() if name not in site.services]
        is_heard = bool(own) and (as_of - max(own)).days < QUIET_DAYS
        found.append(
            Stand(
                site=site, night=nights.get(site.id), findings=findings.get(site.id, []), last_days=days,
                is_heard=is_heard, size=sizes.get(site.id, 0),
            )
        )  # fmt: skip
    return found


def key_of(stand: Stand, fleet: Fleet) -> str:
    """Changes with all that has to be told at once; a quiet site's next night is none of it."""
    standing = troubles(stand.findings)
    told = [
        asdict(f) if f in standing or f.state == "cleared" else (f.id, f.cause, f.subject, f.since.isoformat())
        for f in stand.findings
    ]
    parts = [
        program_hash(),
        fleet.settings.fleet.model_dump_json(),
        stand.site.model_dump_json(),
        group_of(stand.findings, is_heard=stand.is_heard),
        told,
        str(stand.night) if standing else "",
        sorted((name, str(day)) for name, day in stand.last_days.items()) if not stand.is_heard else "",
    ]
    return hashlib.sha256(json.dumps(parts, default=str).encode()).hexdigest()[:32]


def is_due(stand: Stand, key: str, before: Mapping[str, Any]) -> bool:
    """Whether a site's page has to be written anew, by what was noted when it was written last."""
    if key != before["key"] or stand.night is None:
        return bool(key != before["key"])
    if str(stand.night) == before["night"]:
        return bool(stand.size != before["size"])
    age = (stand.night - date.fromisoformat(before["night"])).days if before["night"] != "None" else REST_DAYS
    # Each site has its own day of the week, so that not all of them are due in one night.
    its_day = stand.night.toordinal() % REST_DAYS == zlib.crc32(stand.site.id.encode()) % REST_DAYS
    return its_day or not 0 <= age < REST_DAYS
