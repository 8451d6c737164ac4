"""Puts what a source has to offer into the store: small files together, a large one piece by piece, each as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from ingest.contents import Changed
from ingest.errors import StoreUnavailable
from ingest.readers.alike import read_alike
from ingest.readings import ReadResult, Reject, Table
from ingest.sources import FileSource, TableSource
from monitor.jobs.ingest_report import IngestReport
from monitor.jobs.queues import BYTES_AT_ONCE, FILES_AT_ONCE, Fresh, Queue
from monitor.jobs.reading import FileReading, believable
from monitor.jobs.work import ShouldStop, Tell
from monitor.store import Store
from monitor.store.ledger import FileRecord, record_files
from monitor.store.readings import Incoming, MergeCount, merge_files
from monitor.store.sightings import Sighting, note_sightings

# Readings of one file that are gathered before it is put into the store; of a larger one the rest follows in pieces.
_GATHERED = 32 << 20  # bytes in memory

# Files up to this size [bytes] are read together with others like them.
_SMALL = 1 << 20

Entry = tuple[FileRecord, tuple[Reject, ...]]


class _Stopped(Exception):
    """Told to stop amid a large file, which then is for the next pass."""


@dataclass(slots=True)
class ReadFile:
    """A file on its way into the store: its first tables, and the rest of a large one."""

    record: FileRecord
    sighting: Sighting
    tables: Sequence[Table] = ()
    rest: Iterator[tuple[Table, ...]] | None = None  # None: that was all
    reading: FileReading | None = None  # None: an entry that is no file
    refused: Reject | None = None

    def entry(self, count: MergeCount) -> Entry:
        """The ledger's line and the rejects, once all is in the store."""
        if self.reading is not None:
            return self.reading.entry(count), self.reading.rejects
        assert self.refused is not None
        return self.record, (self.refused,)


def take_source(queue: Queue, store: Store, report: IngestReport, *, progress: Tell, should_stop: ShouldStop) -> None:
    """Take all that is new of a source; a file that meets an error is left out, told, and tried again."""
    done, total = 0, len(queue.listing.arrivals)
    for batch in _batches(_read_files(queue, store, report)):
        if should_stop():
            report.complete = False
            return
        _keep(batch, store, report, queue.now, should_stop)
        done += len(batch)
        progress(f"{queue.name}: {done} of {total} files")


def _read_files(queue: Queue, store: Store, report: IngestReport) -> Iterator[ReadFile]:
    bounds = believable(queue.site, queue.now)
    for fresh, ready in _read_ahead(queue, store, report):
        record = _record(queue, fresh)
        if fresh.content is None:
            yield ReadFile(record, fresh.sighting, refused=fresh.refused)
            continue
        reading = FileReading(record, fresh.content, queue.source, bounds, ready)
        try:
            file = _begin(reading, fresh.sighting)
            if fresh.content.packing != "plain" and not file.tables and queue.is_young(fresh.content):
                report.files_waiting += 1  # an archive that is still being written is a damaged one
            else:
                yield file
        except Changed:
            report.files_waiting += 1
        except Exception as error:  # a reader's mistake must not stop the other files
            report.failed += (f"{record.path}: could not be read: {type(error).__name__}: {error}",)


def _read_ahead(queue: Queue, store: Store, report: IngestReport) -> Iterator[tuple[Fresh, ReadResult | None]]:
    """What is to be taken; small files of one layout come with what they hold, read in one go."""
    some: list[Fresh] = []
    held = 0
    for fresh in queue.fresh(store, report):
        some.append(fresh)
        held += fresh.content.size if fresh.content is not None and fresh.content.data is not None else 0
        if len(some) == FILES_AT_ONCE or held >= BYTES_AT_ONCE:
            yield from _with_results(some, queue.source)
            some, held = [], 0
    yield from _with_results(some, queue.source)


def _with_results(some: Sequence[Fresh], source: FileSource) -> Iterator[tuple[Fresh, ReadResult | None]]:
    small = [f for f in some if (c := f.content) is not None and c.packing == "plain" and c.size <= _SMALL]
    read = _read_together(small, source)
    yield from ((fresh, read.get(fresh.sighting.path)) for fresh in some)


def _read_together(small: Sequence[Fresh], source: FileSource) -> dict[str, ReadResult]:
    files = [(f.sighting.path, f.content.data) for f in small if f.content is not None and f.content.data is not None]
    try:
        results = read_alike(files, source) if isinstance(source, TableSource) else None
    except Exception:  # whichever file it was: when each is read alone, it is told
        results = None
    return {} if results is None else {path: result for (path, _), result in zip(files, results, strict=True)}


def _record(queue: Queue, fresh: Fresh) -> FileRecord:
    sighting, refused = fresh.sighting, fresh.refused
    record = FileRecord(
        site=sighting.site, source=sighting.source, path=sighting.path, sha256=sighting.sha256,
        size=fresh.content.size if fresh.content is not None else 0, taken_at=queue.now, config_hash=queue.settings,
    )  # fmt: skip
    return record if refused is None else replace(record, rejects=1, state="refused", reason=refused.reason)


def _begin(reading: FileReading, sighting: Sighting) -> ReadFile:
    """Read a file, or the beginning of a large one."""
    tables: list[Table] = []
    rest, size = reading.tables(), 0
    for some in rest:
        tables += some
        size += sum(bytes_of(table) for table in some)
        if size > _GATHERED:
            return ReadFile(reading.record, sighting, tables, rest, reading)
    return ReadFile(reading.record, sighting, tables, None, reading)


def bytes_of(table: Table) -> int:
    """What a table takes in memory."""
    return int(table.starts.nbytes + sum(values.nbytes for values in table.columns.values()))


def _batches(files: Iterator[ReadFile]) -> Iterator[list[ReadFile]]:
    """Files that share a transaction; a large one has its own."""
    batch: list[ReadFile] = []
    held = 0
    for file in files:
        if file.rest is not None:
            if batch:
                yield batch
            yield [file]
            batch, held = [], 0
            continue
        batch.append(file)
        held += sum(bytes_of(table) for table in file.tables)
        if len(batch) == FILES_AT_ONCE or held > _GATHERED:
            yield batch
            batch, held = [], 0
    if batch:
        yield batch


def _keep(batch: Sequence[ReadFile], store: Store, report: IngestReport, now: int, should_stop: ShouldStop) -> None:
    """Commit files together; if that fails, one by one, so that only the file at fault is left out."""
    path = batch[0].record.path
    try:
        kept = _commit_large(batch[0], store, now, should_stop) if batch[0].rest else _commit(batch, store, now)
    except StoreUnavailable:
        raise
    except Changed:
        report.files_waiting += 1
    except _Stopped:
        report.complete = False
    except Exception as error:
        if len(batch) == 1:
            report.failed += (f"{path}: could not be kept: {type(error).__name__}: {error}",)
        for file in batch if len(batch) > 1 else ():
            _keep([file], store, report, now, should_stop)
    else:
        for file, (record, rejects) in zip(batch, kept, strict=True):
            reading = file.reading
            within, notes = (reading.conflicts, reading.notes) if reading is not None else (0, ())
            report.count(record, rejects, within=within, notes=notes)


def _commit(batch: Sequence[ReadFile], store: Store, now: int) -> list[Entry]:
    with store.write() as conn:
        counts = merge_files(conn, [_incoming(file, file.tables) for file in batch], now=now)
        kept = [file.entry(count) for file, count in zip(batch, counts, strict=True)]
        record_files(conn, kept)
        note_sightings(conn, [file.sighting for file in batch])
    return kept


def _commit_large(file: ReadFile, store: Store, now: int, should_stop: ShouldStop) -> list[Entry]:
    """Read the rest of a file within the transaction, so that all of it is in the store or none."""
    new = same = conflicts = 0
    with store.write() as conn:
        for tables in chain([file.tables], file.rest or ()):
            if should_stop():
                raise _Stopped
            (count,) = merge_files(conn, [_incoming(file, tables)], now=now)
            new, same, conflicts = new + count.new, same + count.same, conflicts + count.conflicts
        kept = [file.entry(MergeCount(new, same, conflicts, frozenset()))]
        record_files(conn, kept)
        note_sightings(conn, [file.sighting])
    return kept


def _incoming(file: ReadFile, tables: Sequence[Table]) -> Incoming:
    return Incoming(file.record.site, file.record.source, tables)
