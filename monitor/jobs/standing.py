"""How a fleet's machinery stands: the daemon, its jobs, what waits, what is set aside, who is silent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from ingest.arrivals import Arrival, list_arrivals
from ingest.errors import InputError
from ingest.sources import BusSource, FileSource, WeatherServiceSource
from monitor.clock import day_number, iso, local_date
from monitor.config import Fleet, Site
from monitor.detect.track_record import TrackRecord, track_records
from monitor.jobs.ingesting import file_sources, sentence
from monitor.jobs.mail_standing import MailStanding, look_at_mail
from monitor.jobs.reading import settings_hash
from monitor.jobs.work import JOB_NAMES
from monitor.lock import is_held, lock_path
from monitor.nightly.doubts import doubts_of
from monitor.store import Store
from monitor.store.baselines import baselines_of
from monitor.store.claim import is_claimed
from monitor.store.findings import list_findings
from monitor.store.jobs import JobState, last_beat, last_runs
from monitor.store.ledger import KeptReject, SourceCount, count_files, list_files, list_rejects
from monitor.store.polls import PollState, list_polls
from monitor.store.readings import recorded_span
from monitor.store.rulings import rulings_of
from monitor.store.sightings import Known, known_files

# The daemon gives a sign every 15 s; a long write of its own may hold one up.
STALE_S = 120
RECENT_DAYS = 2
LISTED = 20


@dataclass(frozen=True, slots=True)
class DaemonState:
    """Whether a daemon works on this store, and its last sign of life."""

    alive: bool
    last_beat: int | None
    pid: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """All that `status` tells. `refused` and `rejects` hold the last 20; `sources` has the full counts."""

    zone: ZoneInfo
    daemon: DaemonState
    jobs: tuple[JobState, ...]
    sources: tuple[SourceCount, ...]
    waiting: tuple[str, ...]  # files that the next pass of ingest looks at
    sources_unread: tuple[str, ...]
    refused: tuple[str, ...]
    rejects: tuple[str, ...]
    silent_sites: tuple[str, ...]
    faults: tuple[str, ...]
    doubts: tuple[str, ...]  # of site files that the power of clear days contradicts
    devices: Mapping[tuple[str, str], PollState | None]  # by site and source; None: not polled yet
    mail: MailStanding
    records: tuple[TrackRecord, ...]  # of detectors that have raised anything, by cause

    def local(self, seconds: int | None) -> str:
        """An instant as the fleet's people read it."""
        return "never" if seconds is None else datetime.fromtimestamp(seconds, self.zone).strftime("%Y-%m-%d %H:%M %Z")

    @staticmethod
    def is_failing(job: JobState) -> bool:
        """Whether a job failed since it last succeeded."""
        return (job.last_failure or -1) > (job.last_success or 0)


def look(fleet: Fleet, store: Store, now: int) -> Standing:
    """Gather the standing; writes nothing."""
    sources, unread = file_sources(fleet)
    waiting = tuple(_waiting(fleet, store, sources, now))
    with store.read() as conn:
        states = last_runs(conn)
        return Standing(
            zone=fleet.zone,
            daemon=_daemon(conn, fleet, now),
            jobs=tuple(states.get(name, JobState(job=name)) for name in JOB_NAMES),
            sources=tuple(count_files(conn)),
            waiting=waiting,
            sources_unread=unread,
            refused=tuple(f"{f.path}: {f.reason}" for f in list_files(conn, state="refused", limit=LISTED)),
            rejects=tuple(sentence(r.reject) for r in list_rejects(conn, limit=LISTED)),
            silent_sites=tuple(_silent_sites(conn, fleet, now)),
            faults=fleet.faults,
            doubts=tuple(doubts_of(fleet.sites, baselines_of(conn, [s.id for s in fleet.sites]))),
            devices=_devices(conn, fleet),
            mail=look_at_mail(conn, now),
            records=tuple(_records(conn, fleet)),
        )


def as_document(standing: Standing) -> dict[str, Any]:
    """The standing as other programs read it; instants in UTC with their offset."""
    daemon = standing.daemon
    jobs = {
        job.job: {
            "last_success": iso(job.last_success),
            "last_failure": iso(job.last_failure),
            "failure": job.failure_message or None,
            "next_run": iso(job.next_run),
        }
        for job in standing.jobs
    }
    lists = ("waiting", "sources_unread", "refused", "rejects", "silent_sites", "faults", "doubts")
    return {
        "schema": 1,
        "daemon": {"alive": daemon.alive, "last_beat": iso(daemon.last_beat), "process": daemon.pid},
        "jobs": jobs,
        "sources": [{**asdict(s), "last_taken_at": iso(s.last_taken_at)} for s in standing.sources],
        **{name: list(getattr(standing, name)) for name in lists},
        "devices": [
            {
                "site": site,
                "source": source,
                "last_poll": iso(state.last_try_at) if state else None,
                "last_reading": iso(state.last_ok_at) if state else None,
                "failures": state.failures if state else 0,
                "trouble": (state.trouble or None) if state else None,
            }
            for (site, source), state in standing.devices.items()
        ],
        "mail": standing.mail.as_document(),
        "detectors": [record.as_document() for record in standing.records],
    }


def set_aside(store: Store, site_id: str | None) -> list[KeptReject]:
    """All that is set aside, of one site or of all: source by source, the last file first."""
    with store.read() as conn:
        return sorted(list_rejects(conn, site=site_id), key=lambda r: (r.site, r.source))


def rejects_document(rejects: Sequence[KeptReject]) -> dict[str, Any]:
    """What is set aside as other programs read it."""
    return {"schema": 1, "rejects": [{"site": r.site, "source": r.source, **asdict(r.reject)} for r in rejects]}


def rejects_text(rejects: Sequence[KeptReject]) -> Iterator[str]:
    """What is set aside for a person: a line a reject under a title a source."""
    if not rejects:
        yield "nothing is set aside"
    for source, entries in groupby(rejects, key=lambda r: f"{r.site}/{r.source}"):
        yield f"{source}:"
        yield from (f"  {sentence(r.reject)}" for r in entries)


def _daemon(conn: Connection, fleet: Fleet, now: int) -> DaemonState:
    """Alive is a daemon that holds the store, wherever it runs, and gave a sign lately."""
    sign = last_beat(conn)
    if sign is None:
        return DaemonState(False, None, None)
    held = is_claimed(conn)
    if held is None:
        held = is_held(lock_path(fleet.settings.store.url, fleet.folder))
    return DaemonState(held and now - sign.at < STALE_S, sign.at, sign.pid)


def _records(conn: Connection, fleet: Fleet) -> list[TrackRecord]:
    """How the findings of this fleet's sites, the cleared ones too, came out by the verdicts of engineers."""
    sites = [site.id for site in fleet.sites]
    findings = [f for f in list_findings(conn, include_cleared=True) if f.site in set(sites)]
    rulings = [r for given in rulings_of(conn, sites).values() for r in given]
    return track_records(findings, rulings)


def _devices(conn: Connection, fleet: Fleet) -> dict[tuple[str, str], PollState | None]:
    """Every device and weather service that the site files name, and how it stands."""
    states = {(state.site, state.source): state for state in list_polls(conn)}
    fetched = (BusSource, WeatherServiceSource)
    named = ((site.id, source.id) for site in fleet.sites for source in site.source if isinstance(source, fetched))
    return {key: states.get(key) for key in named}


def _waiting(fleet: Fleet, store: Store, sources: Sequence[tuple[Site, FileSource]], now: int) -> Iterator[str]:
    """Files that the next pass of ingest reads; files are looked at while no view of the store is open."""
    for site, source in sources:
        with store.read() as conn:
            known = known_files(conn, site=site.id, source=source.id)
        settings = settings_hash(site, source)
        for arrival in list_arrivals(fleet.folder, source, now=now, settle_s=0).arrivals:
            if not _is_known(arrival, known.get(arrival.path), settings, now):
                yield arrival.path


def _is_known(arrival: Arrival, before: Known | None, settings: str, now: int) -> bool:
    if before is None or before.config_hash != settings:
        return False
    if before.read_again_at is not None and before.read_again_at <= now:
        return False
    try:
        return before.stamp == arrival.stamp or before.sha256 == arrival.sha256
    except InputError:
        return False


def _silent_sites(conn: Connection, fleet: Fleet, now: int) -> Iterator[str]:
    for site in fleet.sites:
        span = recorded_span(conn, site.id, besides=site.services)
        if span is None:
            yield f"{site.id}: no readings yet"
        elif span[1] < day_number(local_date(now, site.zone) - timedelta(days=RECENT_DAYS)):
            yield f"{site.id}: last readings on {(date(1970, 1, 1) + timedelta(days=span[1])).isoformat()}"
