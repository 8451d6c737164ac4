"""One pass over the sources of a fleet: new files into the store, whatever cannot be taken set aside and told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from ingest.arrivals import Arrival, Listing, config_hash, content_hash, list_arrivals
from ingest.errors import ConfigurationError, InputError, StoreUnavailable
from ingest.readers import reader_for
from ingest.readings import Reject
from ingest.sources import BusSource, FileSource
from monitor.clock import Clock
from monitor.config import Fleet, Site
from monitor.jobs.reading import ReadFile, believable, read_one
from monitor.jobs.work import ShouldStop, Tell, never, noted_run, silent
from monitor.store import Store
from monitor.store.ledger import FileRecord, record_files, seen_many
from monitor.store.readings import Incoming, MergeCount, merge_files

# One transaction takes so many files of a source at most, and so many bytes: a commit costs more than a small file.
_FILES_AT_ONCE = 50
_BYTES_AT_ONCE = 16 * 1024 * 1024
REASONS_TOLD = 10


@dataclass(slots=True)
class IngestReport:
    """What a pass did, counted while it runs."""

    files_taken: int = 0
    files_known: int = 0
    files_waiting: int = 0
    files_refused: int = 0
    readings_new: int = 0
    readings_same: int = 0
    readings_replaced: int = 0
    set_aside: int = 0  # pieces of input: cells, rows, whole files
    reasons: tuple[str, ...] = ()  # the first of them as sentences
    sources_unread: tuple[str, ...] = ()  # sentences of sources that this version cannot read
    failed: tuple[str, ...] = ()  # sentences of files that met an error; they are tried again
    complete: bool = True  # False: told to stop before the end

    @property
    def all_taken(self) -> bool:
        """Whether nothing was set aside and nothing failed."""
        return not (self.set_aside or self.sources_unread or self.failed)


@dataclass(frozen=True, slots=True)
class _Queue:
    """A source and the files that lie there for it."""

    site: Site
    source: FileSource
    listing: Listing

    @property
    def name(self) -> str:
        return f"{self.site.id}/{self.source.id}"


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

    With `files` only these are looked at; ConfigurationError, before anything is done, if one is no source's.
    """
    report = IngestReport()
    asked = [_asked(path, fleet.folder) for path in files] if files else None
    sources, unread = file_sources(fleet)
    queues = [
        _Queue(site, source, list_arrivals(fleet.folder, source, now=now, settle_s=settle_s, only=asked))
        for site, source in sources
    ]
    if asked is None:
        report.sources_unread = unread
    else:
        _check_claimed(fleet, asked, queues)
    for queue in queues:
        _take_source(queue, store, report, now=now, progress=progress, should_stop=should_stop)
    return report


def summary(report: IngestReport) -> str:
    """One line about a pass."""
    parts = [
        f"{report.files_taken} files taken",
        f"{report.files_known} known",
        f"{report.files_waiting} waiting",
        f"{report.files_refused} refused",
        f"{report.readings_new} readings new",
        f"{report.set_aside} pieces set aside",
    ]
    if report.readings_replaced:
        parts.append(f"{report.readings_replaced} readings replaced")
    if report.sources_unread:
        parts.append(f"{len(report.sources_unread)} sources not read")
    if report.failed:
        parts.append(f"{len(report.failed)} failed")
    return ", ".join(parts)


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
            if isinstance(source, BusSource):  # is polled, see monitor.jobs.polling
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


def _check_claimed(fleet: Fleet, asked: Sequence[Path], queues: Sequence[_Queue]) -> None:
    home = fleet.folder.resolve()
    claimed = {home / a.path for q in queues for a in q.listing.arrivals}
    claimed |= {home / r.file for q in queues for r in q.listing.rejects}
    patterns = ", ".join(dict.fromkeys(q.source.files for q in queues)) or "none"
    faults = [
        f"{path}: fits the files of no source; expected one of {patterns} in {fleet.folder}"
        for path in asked
        if path not in claimed
    ]
    if faults:
        raise ConfigurationError(faults)


def _take_source(
    queue: _Queue, store: Store, report: IngestReport, *, now: int, progress: Tell, should_stop: ShouldStop
) -> None:
    report.files_waiting += len(queue.listing.waiting)
    fresh = chain(_refused_entries(queue, store, report, now), _fresh_files(queue, store, report, now))
    done, total = 0, len(queue.listing.arrivals)
    for batch in _batches(fresh):
        if should_stop():
            report.complete = False
            return
        _keep(batch, store, report, now)
        done += len(batch)
        progress(f"{queue.name}: {done} of {total} files")


def _fresh_files(queue: _Queue, store: Store, report: IngestReport, now: int) -> Iterator[ReadFile]:
    """Read the files whose content is not in the ledger."""
    settings = config_hash(queue.source)
    bounds = believable(queue.site, now)
    for some in _portions(queue.listing.arrivals):
        contents = list(_contents(some, report))
        hashes = [sha256 for _, _, sha256 in contents]
        with store.read() as conn:
            known = seen_many(conn, site=queue.site.id, source=queue.source.id, hashes=hashes, config_hash=settings)
        for arrival, data, sha256 in contents:
            if sha256 in known:
                report.files_known += 1
                continue
            known.add(sha256)
            record = FileRecord(
                site=queue.site.id, source=queue.source.id, path=arrival.path, sha256=sha256, size=len(data),
                taken_at=now, config_hash=settings,
            )  # fmt: skip
            try:
                yield read_one(record, data, queue.source, bounds)
            except Exception as error:  # a reader's mistake must not stop the other files
                report.failed += (f"{arrival.path}: could not be read: {type(error).__name__}: {error}",)


def _contents(arrivals: Sequence[Arrival], report: IngestReport) -> Iterator[tuple[Arrival, bytes, str]]:
    for arrival in arrivals:
        try:
            data = arrival.read()
        except InputError as error:
            report.failed += (str(error),)
            continue
        yield arrival, data, content_hash(data)


def _refused_entries(queue: _Queue, store: Store, report: IngestReport, now: int) -> Iterator[ReadFile]:
    """Directory entries that are no files to read; what they are stands in for the content they do not have."""
    settings = config_hash(queue.source)
    named = {content_hash(f"{r.file}: {r.reason}".encode()): r for r in queue.listing.rejects}
    if not named:
        return
    with store.read() as conn:
        known = seen_many(conn, site=queue.site.id, source=queue.source.id, hashes=named, config_hash=settings)
    report.files_known += len(known)
    for sha256, reject in named.items():
        if sha256 not in known:
            record = FileRecord(
                site=queue.site.id, source=queue.source.id, path=reject.file, sha256=sha256, size=0, taken_at=now,
                config_hash=settings, rejects=1, state="refused", reason=reject.reason,
            )  # fmt: skip
            yield ReadFile(record, (), (reject,))


def _portions(arrivals: Sequence[Arrival]) -> Iterator[Sequence[Arrival]]:
    """Files that are held in memory together."""
    some: list[Arrival] = []
    for arrival in arrivals:
        if some and (len(some) == _FILES_AT_ONCE or sum(a.size for a in some) + arrival.size > _BYTES_AT_ONCE):
            yield some
            some = []
        some.append(arrival)
    if some:
        yield some


def _batches(files: Iterator[ReadFile]) -> Iterator[list[ReadFile]]:
    """Files that share a transaction."""
    batch: list[ReadFile] = []
    for file in files:
        batch.append(file)
        if len(batch) == _FILES_AT_ONCE or sum(f.record.size for f in batch) > _BYTES_AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch


def _keep(batch: Sequence[ReadFile], store: Store, report: IngestReport, now: int) -> None:
    """Commit files together; if that fails, one by one, so that only the file at fault is left out."""
    try:
        entries = _commit(batch, store, now)
    except StoreUnavailable:
        raise
    except Exception as error:
        if len(batch) > 1:
            for file in batch:
                _keep([file], store, report, now)
            return
        path = batch[0].record.path
        report.failed += (f"{path}: could not be kept: {type(error).__name__}: {error}",)
        return
    for record, rejects in entries:
        _count(report, record, rejects)


def _commit(batch: Sequence[ReadFile], store: Store, now: int) -> list[tuple[FileRecord, Sequence[Reject]]]:
    with store.write() as conn:
        incoming = [Incoming(f.record.site, f.record.source, f.tables) for f in batch]
        counts: list[MergeCount] = merge_files(conn, incoming, now=now)
        entries = [(f.with_counts(count), f.rejects) for f, count in zip(batch, counts, strict=True)]
        record_files(conn, entries)
    return entries


def _count(report: IngestReport, record: FileRecord, rejects: Sequence[Reject]) -> None:
    if record.state == "refused":
        report.files_refused += 1
    else:
        report.files_taken += 1
    report.readings_new += record.readings_new
    report.readings_same += record.readings_same
    report.readings_replaced += record.conflicts
    report.set_aside += len(rejects)
    room = REASONS_TOLD - len(report.reasons)
    report.reasons += tuple(sentence(r) for r in rejects[:room])


def sentence(reject: Reject) -> str:
    """A reject as a line that names file, line, field, what was found, and why it was not taken."""
    place = reject.file if reject.line is None else f"{reject.file}:{reject.line}"
    field = f"{reject.field}: " if reject.field else ""
    text = f"{reject.text!r}: " if reject.text else ""
    return f"{place}: {field}{text}{reject.reason}"
