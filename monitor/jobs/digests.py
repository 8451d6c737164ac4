"""The digests as units of work: gathered from the store, queued for mail, written to files."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path

from sqlalchemy import Connection

from ingest.errors import OutputError, StoreUnavailable
from monitor.clock import moment
from monitor.config import Fleet, Site
from monitor.detect.finding import Finding
from monitor.jobs.posting import post, unposted
from monitor.jobs.valuing import value_findings
from monitor.jobs.work import ShouldStop, never
from monitor.looking_back.first_proof import first_proof
from monitor.looking_back.usual import usual_year
from monitor.model.typical_year import TypicalYear
from monitor.nightly.memory import remember
from monitor.report.digest import HomeownerDigest, ServiceDigest
from monitor.report.gather import gather_homeowner
from monitor.report.homeowner import month_days
from monitor.report.morning import gather_service
from monitor.report.proof.drawing import Proof
from monitor.report.ranking import NextYear
from monitor.report.render import render
from monitor.report.write import write_digest
from monitor.store import Store
from monitor.store.assessed import assessed_until

FOLDER = "digests"
NO_SENDER = "Aftercare <aftercare@fleet.invalid>"  # of digests that are only written to files


@dataclass(frozen=True, slots=True)
class Outlets:
    """Where digests go: to files in a folder, to the outbox, or both.

    `again`: what a mail server refused, or was given up, goes into the outbox anew.
    """

    folder: Path | None = None
    mail: bool = False
    again: bool = False


@dataclass(slots=True)
class Issued:
    """Files and queued messages, what went wrong as sentences, and what somebody may want to know."""

    paths: list[Path] = field(default_factory=list)
    queued: int = 0
    known: int = 0  # messages that had been queued before
    failed: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def planned_outlets(fleet: Fleet) -> Outlets:
    """Where the daemon's digests go."""
    return Outlets(folder=fleet.folder / FOLDER, mail=fleet.settings.mail is not None)


def issue_service_digest(
    fleet: Fleet, store: Store, outlets: Outlets, *, now: int, night: date | None = None
) -> Issued:
    """The service team's digest as of the last assessed night, or as of an earlier one, as it was known then.

    Nothing where no night was assessed yet.
    """
    issued = Issued()
    with store.read() as conn:
        nights = [until for site in fleet.sites if (until := assessed_until(conn, site.id)) is not None]
        if not nights:
            return issued
        as_of = max(nights) if night is None else min(night, max(nights))

        def value(site: Site, findings: Sequence[Finding]) -> Mapping[str, NextYear]:
            return value_findings(conn, site, findings, as_of)

        def prove(site: Site, finding: Finding) -> tuple[Proof, str] | None:
            try:
                return first_proof(conn, fleet, site, finding, as_of)
            except StoreUnavailable:
                raise
            except Exception as error:  # a picture is no reason for a morning without its digest
                issued.failed.append(f"{site.id}: a picture could not be drawn: {type(error).__name__}: {error}")
                return None

        digest = gather_service(
            conn, fleet, as_of=as_of, generated=moment(now), value=value, prove=prove, is_past=as_of < max(nights)
        )
    mail = fleet.settings.mail
    team = mail.service_team if mail else ()
    if outlets.mail and mail and not mail.empty_mornings and digest.tells_nothing:
        issued.remarks.append(f"{digest.edition.name}: nothing to tell, so it is not sent ([mail] empty_mornings)")
        outlets = replace(outlets, mail=False)
    try:
        _issue(fleet, store, digest, team, outlets, now, issued)
    except OutputError as error:
        issued.failed.append(str(error))
    return issued


def issue_homeowner_digests(
    fleet: Fleet,
    store: Store,
    outlets: Outlets,
    *,
    now: int,
    site_ids: Collection[str] | None = None,
    month: date | None = None,
    should_stop: ShouldStop = never,
) -> Issued:
    """The page of a month (its first day) for each site, by default of its last fully assessed month."""
    issued = Issued()
    for site in fleet.sites:
        if should_stop() or not (outlets.folder or outlets.mail):
            break
        if site_ids is not None and site.id not in site_ids:
            continue
        try:
            _issue_one(fleet, site, store, outlets, now, month, issued)
        except StoreUnavailable:
            raise
        except OutputError as error:  # the next home's files would fare no better, but its mail may
            issued.failed.append(str(error))
            outlets = replace(outlets, folder=None)
        except Exception as error:  # one home's digest must not stop the others'
            issued.failed.append(f"{site.id}: the digest could not be written: {type(error).__name__}: {error}")
    return issued


def _issue_one(
    fleet: Fleet, site: Site, store: Store, outlets: Outlets, now: int, month: date | None, issued: Issued
) -> None:
    with store.read() as conn:
        assessed = assessed_until(conn, site.id)
        wanted = month or last_full_month(assessed)
        if wanted is None:
            return
        digest = gather_homeowner(
            conn, fleet, site, month=(wanted.year, wanted.month), generated=moment(now),
            usual=_usual(conn, site, assessed, wanted),
        )  # fmt: skip
    if outlets.mail and (obstacle := _why_unsent(site, wanted, assessed)):
        issued.remarks.append(f"{site.id}: {obstacle}")
        outlets = replace(outlets, mail=False)
    _issue(fleet, store, digest, site.site.homeowner_email, outlets, now, issued)


def _usual(conn: Connection, site: Site, assessed: date | None, month: date) -> TypicalYear | None:
    """The roof's typical year, by what was known at the end of a month."""
    if assessed is None:
        return None
    until = min(assessed, month_days(month.year, month.month)[1])
    return usual_year(conn, site, remember(conn, site.id, until + timedelta(days=1)), until)


def _why_unsent(site: Site, month: date, assessed: date | None) -> str:
    """Why a month's page is not for sending, if it is not: a page goes out once, so it has to be whole."""
    _, last = month_days(month.year, month.month)
    if last < site.site.commissioned:
        return f"commissioned on {site.site.commissioned}, so nobody is told of {month:%Y-%m}"
    if assessed is None or assessed < last:
        return f"{month:%Y-%m} is not sent before all of its nights are assessed; they are until {assessed or 'never'}"
    if not site.site.homeowner_email:
        return f"no homeowner_email in sites/{site.id}.toml, so nobody is written to"
    return ""


def _issue(
    fleet: Fleet,
    store: Store,
    digest: ServiceDigest | HomeownerDigest,
    readers: Sequence[str],
    outlets: Outlets,
    now: int,
    issued: Issued,
) -> None:
    """Queue first: that decides it, and a disk that takes no files is no reason for a letter not to go."""
    new = unposted(store, digest, readers, again=outlets.again) if outlets.mail else []
    if not new and outlets.folder is None:
        issued.known += len(set(readers)) if outlets.mail else 0
        return
    page = render(digest)
    sender = fleet.settings.mail.sender if fleet.settings.mail else NO_SENDER
    if outlets.mail:
        queued = post(store, page, digest, new, sender=sender, now=now, again=outlets.again)
        issued.queued += queued
        issued.known += len(set(readers)) - queued
    if outlets.folder is not None:
        only = readers[0] if len(readers) == 1 else None
        issued.paths += write_digest(page, digest, outlets.folder, sender=sender, recipient=only)


def last_full_month(assessed: date | None) -> date | None:
    """First day of the last month whose nights are all assessed."""
    if assessed is None:
        return None
    last_day = (assessed + timedelta(days=1)).replace(day=1) - timedelta(days=1)
    return last_day.replace(day=1)
