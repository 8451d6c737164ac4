"""The digests as units of work: gathered from the store, written to files."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from ingest.errors import StoreUnavailable
from monitor.clock import moment
from monitor.config import Fleet, Site
from monitor.jobs.valuing import value_findings
from monitor.jobs.work import ShouldStop, never
from monitor.report.gather import gather_homeowner, gather_service
from monitor.report.ranking import NextYear
from monitor.report.write import write_digest
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.rulings import told_findings

FOLDER = "digests"
NO_SENDER = "Aftercare <aftercare@localhost>"  # of digests that are only written to files


@dataclass(frozen=True, slots=True)
class Written:
    """Files of digests, and sentences about the sites whose digest could not be written."""

    paths: tuple[Path, ...] = ()
    failed: tuple[str, ...] = ()


def write_service_digest(fleet: Fleet, store: Store, *, now: int, out: Path | None = None) -> Written:
    """Write the service team's digest as of the last assessed night; nothing where no night was assessed yet."""
    with store.read() as conn:
        nights = {site.id: night for site in fleet.sites if (night := assessed_until(conn, site.id)) is not None}
        if not nights:
            return Written()
        values: dict[str, NextYear] = {}
        for site_id, night in nights.items():
            values |= value_findings(conn, fleet.site(site_id), told_findings(conn, site=site_id), night)
        digest = gather_service(conn, fleet, as_of=max(nights.values()), generated=moment(now), values=values)
    mail = fleet.settings.mail
    team = mail.service_team if mail else ()
    return Written(tuple(write_digest(digest, out or fleet.folder / FOLDER, sender=_sender(fleet), recipients=team)))


def write_homeowner_digests(
    fleet: Fleet,
    store: Store,
    *,
    now: int,
    site_ids: Collection[str] | None = None,
    month: date | None = None,
    out: Path | None = None,
    should_stop: ShouldStop = never,
) -> Written:
    """Write the page of a month (its first day) for each site, by default of its last fully assessed month."""
    paths: list[Path] = []
    failed: list[str] = []
    for site in fleet.sites:
        if should_stop():
            break
        if site_ids is not None and site.id not in site_ids:
            continue
        try:
            paths += _write_one(fleet, site, store, now, month, out or fleet.folder / FOLDER)
        except StoreUnavailable:
            raise
        except Exception as error:  # one home's digest must not stop the others'
            failed.append(f"{site.id}: the digest could not be written: {type(error).__name__}: {error}")
    return Written(tuple(paths), tuple(failed))


def _write_one(fleet: Fleet, site: Site, store: Store, now: int, month: date | None, out: Path) -> list[Path]:
    with store.read() as conn:
        wanted = month or last_full_month(assessed_until(conn, site.id))
        if wanted is None:
            return []
        digest = gather_homeowner(conn, fleet, site, month=(wanted.year, wanted.month), generated=moment(now))
    return list(write_digest(digest, out, sender=_sender(fleet), recipients=site.site.homeowner_email))


def _sender(fleet: Fleet) -> str:
    return fleet.settings.mail.sender if fleet.settings.mail else NO_SENDER


def last_full_month(assessed: date | None) -> date | None:
    """First day of the last month whose nights are all assessed."""
    if assessed is None:
        return None
    last_day = (assessed + timedelta(days=1)).replace(day=1) - timedelta(days=1)
    return last_day.replace(day=1)
