"""The whole job over an invented fleet: make it, take its exports in, assess every night, write the digests."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from ingest.errors import ConfigurationError
from monitor.config import Fleet, load_fleet
from monitor.demo import FleetTruth, Trouble, make_fleet
from monitor.detect.finding import Finding
from monitor.jobs.assessing import assess_noted
from monitor.jobs.digests import issue_homeowner_digests, issue_service_digest, planned_outlets
from monitor.jobs.ingesting import IngestReport, ingest_noted
from monitor.jobs.telling import list_ranked_findings
from monitor.jobs.work import Tell
from monitor.store import Store

MARKER = ".aftercare-demo"
# Fixed, so that a seed gives the same fleet on every machine and day.
LAST_DAY = date(2026, 8, 31)


@dataclass(frozen=True, slots=True)
class Demonstration:
    """What was made, what the program found in it, and where that can be read."""

    fleet: Fleet
    truth: FleetTruth
    ingested: IngestReport
    site_nights: int
    findings: tuple[Finding, ...]
    digests: tuple[Path, ...]
    failed: tuple[str, ...]

    def finding_of(self, trouble: Trouble) -> Finding | None:
        """The finding that tells of a trouble, if there is one."""
        alike = (f for f in self.findings if (f.site, f.cause) == (trouble.site, trouble.cause))
        return next((f for f in alike if f.subject in (trouble.subject, *trouble.also)), None)


def demonstrate(
    folder: Path, *, seed: int, last_day: date, months: int = 14, homes: int = 8, stage: Tell, progress: Tell
) -> Demonstration:
    """Do the whole job in a folder of its own; ConfigurationError when the folder holds something else.

    The program's clock stands at noon of the day after `last_day` throughout.
    """
    prepare(folder)
    stage(f"making an invented fleet in {folder} (seed {seed})")
    truth = make_fleet(
        folder, seed=seed, last_day=last_day, months=months, sites=homes, cast="show_more", progress=progress
    )
    fleet = load_fleet(folder)
    now = int(datetime.combine(last_day + timedelta(days=1), time(12), tzinfo=fleet.zone).timestamp())
    store = Store.open(fleet.settings.store.url, fleet.folder)
    try:
        stage("ingesting its exports")
        ingested = ingest_noted(fleet, store, lambda: now, progress=progress)
        first = min(site.site.commissioned for site in fleet.sites)
        stage(f"assessing every night since {first.isoformat()}")
        assessed = assess_noted(fleet, store, lambda: now, first=first, until=last_day, progress=progress)
        stage("writing the digests")
        found = list_ranked_findings(fleet, store, site_id=None, include_cleared=True).findings
        outlets = planned_outlets(fleet)  # an invented fleet has no [mail]
        service = issue_service_digest(fleet, store, outlets, now=now)
        if (night := _night_to_show(found, last_day)) is not None:
            service.paths += issue_service_digest(fleet, store, outlets, now=now, night=night).paths
        home = issue_homeowner_digests(fleet, store, outlets, now=now, site_ids=[_home_to_show(fleet, found)])
    finally:
        store.close()
    failed = (*ingested.failed, *assessed.failed, *service.failed, *home.failed)
    paths = (*service.paths, *home.paths)
    return Demonstration(fleet, truth, ingested, assessed.site_nights, tuple(found), paths, failed)


def prepare(folder: Path) -> None:
    """Make the folder, or empty it if it is an earlier demo."""
    if folder.exists() and not folder.is_dir():
        raise ConfigurationError([f"{folder}: a file is in the way; expected a new folder or an earlier demo"])
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARKER).is_file():
            raise ConfigurationError(
                [f"{folder}: holds something that is no earlier demo and was left alone; expected a new folder"]
            )
        for entry in folder.iterdir():
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry)
            else:
                entry.unlink()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARKER).write_text("Made by `aftercare demo`, which may delete everything in this folder.\n")


def _night_to_show(found: list[Finding], last_day: date) -> date | None:
    """The night that raised the gravest finding, whose morning had news; None where the last one is that."""
    raised = found[0].raised if found and found[0].level != "note" else last_day
    return raised if raised < last_day else None


def _home_to_show(fleet: Fleet, found: list[Finding]) -> str:
    """The home whose page says most: the first with an open fault that somebody should act on."""
    grave = [f.site for f in found if f.state == "open" and f.level in ("urgent", "visit")]
    return grave[0] if grave else fleet.sites[0].id
