"""As-installed baselines, one version an epoch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import Connection, delete, select

from monitor.store import schema
from monitor.store.rows import portions, records, to_row, upsert


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """What a subject did when it was as installed, and the local days that this was learned from."""

    site: str
    subject: str
    epoch: int = 0
    frozen_on: date | None = None
    learned_from: date
    learned_until: date
    values: dict[str, Any] = field(default_factory=dict)


def write_baseline(conn: Connection, baseline: Baseline) -> None:
    """Keep a baseline; one of the same site, subject and epoch is replaced."""
    upsert(conn, schema.baseline, [to_row(baseline)])


def read_baselines(conn: Connection, site: str) -> list[Baseline]:
    """All baselines of a site, in order of subject and epoch."""
    return baselines_of(conn, [site])


def baselines_of(conn: Connection, sites: Sequence[str]) -> list[Baseline]:
    """All baselines of some sites, each site's in order of subject and epoch."""
    c = schema.baseline.c
    found: list[Baseline] = []
    for some in portions(sites):
        query = select(schema.baseline).where(c.site.in_(some)).order_by(c.site, c.subject, c.epoch)
        found += records(Baseline, conn.execute(query))
    return found


def drop_baselines(conn: Connection, site: str, learned_after: date) -> None:
    """Delete baselines that any local day after `learned_after` went into."""
    c = schema.baseline.c
    conn.execute(delete(schema.baseline).where(c.site == site, c.learned_until > learned_after))
