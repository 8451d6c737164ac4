"""The digests as units of work: gathered from the store, written to files."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

from monitor.clock import moment
from monitor.config import Fleet, Site
from monitor.report.gather import gather_homeowner, gather_service
from monitor.report.write import write_digest
from monitor.store import Store
from monitor.store.assessed import assessed_until

FOLDER = "digests"
_NO_SENDER = "Aftercare <aftercare@localhost>"


def write_service_digest(fleet: Fleet, store: Store, *, now: int, folder: Path | None = None) -> list[Path]:
    """Write the service team's digest as of the last assessed night; nothing where no night was assessed yet."""
    with store.read() as conn:
        nights = [night for site in fleet.sites if (night := assessed_until(conn, site.id)) is not None]
        if not nights:
            return []
        digest = gather_service(conn, fleet, as_of=max(nights), generated=moment(now))
    mail = fleet.settings.mail
    return write_digest(
        digest,
        folder or fleet.folder / FOLDER,
        sender=mail.sender if mail else _NO_SENDER,
        recipients=mail.service_team if mail else (),
    )


def write_homeowner_digests(
    fleet: Fleet,
    store: Store,
    *,
    now: int,
    sites: Sequence[Site] | None = None,
    month: date | None = None,
    folder: Path | None = None,
) -> list[Path]:
    """Write the monthly page of each site for a month (its first day), the last full assessed month by default."""
    written: list[Path] = []
    for site in fleet.sites if sites is None else sites:
        with store.read() as conn:
            wanted = month or last_full_month(assessed_until(conn, site.id))
            if wanted is None:
                continue
            digest = gather_homeowner(conn, fleet, site, month=(wanted.year, wanted.month), generated=moment(now))
        mail = fleet.settings.mail
        written += write_digest(
            digest,
            folder or fleet.folder / FOLDER,
            sender=mail.sender if mail else _NO_SENDER,
            recipients=site.site.homeowner_email,
        )
    return written


def last_full_month(assessed: date | None) -> date | None:
    """First day of the last month whose nights are all assessed."""
    if assessed is None:
        return None
    last_day = (assessed + timedelta(days=1)).replace(day=1) - timedelta(days=1)
    return last_day.replace(day=1)
