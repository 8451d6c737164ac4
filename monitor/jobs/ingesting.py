"""One pass over the sources of a fleet: new files into the store, whatever cannot be taken set aside and told."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ingest.arrivals import list_arrivals
from ingest.errors import ConfigurationError, InputError
from ingest.readers import reader_for
from ingest.sources import FileSource, RegisterSource, TableSource
from monitor.clock import Clock
from monitor.config import Fleet, Site
from monitor.jobs.ingest_report import REASONS_TOLD as REASONS_TOLD
from monitor.jobs.ingest_report import IngestReport as IngestReport
from monitor.jobs.ingest_report import sentence as sentence
from monitor.jobs.ingest_report import summary as summary
from monitor.jobs.queues import Queue
from monitor.jobs.taking import take_source
from monitor.jobs.work import ShouldStop, Tell, never, noted_run, silent
from monitor.store import Store

# A file that was changed less than this ago and ends amid a line is still being written.
UNFINISHED_S = 120


def ingest_fleet(
    fleet: Fleet,
    store: Store,
    *,
    now: int,
    settle_s: int = 0,
    files: Sequence[Path] = (),
    progress: Tell = silent,
    should_stop: ShouldStop = never,
) -> IngestReport:
    """Take what is new; files changed less than `settle_s` ago wait, as they may still be written.

    So do unfinished ones of the last two minutes. With `files` only these are looked at, and none waits;
    ConfigurationError, before anything is done, if one is no source's.
    """
    report = IngestReport()
    asked = [_asked(path, fleet.folder) for path in files] if files else None
    sources, unread = file_sources(fleet)
    queues = [
        Queue(
            site,
            source,
            list_arrivals(fleet.folder, source, now=now, settle_s=settle_s, only=asked),
            now=now,
            everything=asked is None,
            unfinished_s=UNFINISHED_S,
        )
        for site, source in sources
    ]
    if asked is None:
        report.sources_unread = unread
    else:
        _check_claimed(fleet, asked, queues)
    for queue in queues:
        take_source(queue, store, report, progress=progress, should_stop=should_stop)
    return report


def ingest_noted(
    fleet: Fleet, store: Store, clock: Clock, *, settle_s: int = 0, progress: Tell = silent,
    should_stop: ShouldStop = never,
) -> IngestReport:  # fmt: skip
    """A pass over everything, noted in the store as a run of the job; set-aside input is no failure of the job."""
    with noted_run(store, "ingest", clock) as outcome:
        report = ingest_fleet(fleet, store, now=clock(), settle_s=settle_s, progress=progress, should_stop=should_stop)
        outcome.message = "; ".join([summary(report), *report.failed])
        outcome.ok = report.complete and not report.failed
    return report


def file_sources(fleet: Fleet) -> tuple[list[tuple[Site, FileSource]], tuple[str, ...]]:
    """Every source with files that this version reads, and sentences about the others that have files."""
    sources, unread = [], []
    for site in fleet.sites:
        for source in site.source:
            if not isinstance(source, TableSource | RegisterSource):  # polled or fetched
                continue
            try:
                reader_for(source)
            except InputError as error:
                unread.append(f"sites/{site.id}.toml: {error}")
                continue
            sources.append((site, source))
    return sources, tuple(unread)


def _asked(path: Path, folder: Path) -> Path:
    """A file named on the command line: as seen from here, else as seen from the fleet folder."""
    for candidate in (path, folder / path):
        if candidate.is_symlink() or candidate.exists():
            return candidate.absolute().parent.resolve() / candidate.name
    raise ConfigurationError([f"{path}: no such file, neither here nor in the fleet folder {folder}"])


def _check_claimed(fleet: Fleet, asked: Sequence[Path], queues: Sequence[Queue]) -> None:
    home = fleet.folder.resolve()
    claimed = {home / path for queue in queues for path in queue.listing.paths}
    patterns = ", ".join(dict.fromkeys(queue.source.files for queue in queues)) or "none"
    faults = [
        f"{path}: fits the files of no source; expected one of {patterns} in {fleet.folder}"
        for path in asked
        if path not in claimed
    ]
    if faults:
        raise ConfigurationError(faults)
