"""One file's bytes to tables, rejects and the line that the ledger keeps of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from ingest.readers import reader_for
from ingest.readings import ReadResult, Reject, Table
from ingest.sources import FileSource
from ingest.timeline import local_day
from monitor.config import Site
from monitor.jobs.plausible import Believable, keep_believable
from monitor.store.ledger import FileRecord
from monitor.store.readings import MergeCount

_DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class ReadFile:
    """A file that was read, on its way into the store."""

    record: FileRecord
    tables: Sequence[Table]
    rejects: Sequence[Reject]

    def with_counts(self, count: MergeCount) -> FileRecord:
        """The ledger's line once the store has told what was new."""
        return replace(self.record, readings_new=count.new, readings_same=count.same, conflicts=count.conflicts)


def believable(site: Site, now: int) -> Believable:
    """What can be true of a site's readings: from the day before it was commissioned until a day from now."""
    earliest, _ = local_day(site.site.commissioned - timedelta(days=1), site.zone)
    return Believable(earliest, now + _DAY_S, frozenset(site.known_subjects()))


def read_one(record: FileRecord, data: bytes, source: FileSource, bounds: Believable) -> ReadFile:
    """Read a file; one that gives no reading at all but something to set aside is refused as a whole."""
    result = keep_believable(reader_for(source)(data, name=record.path), record.path, bounds)
    refused = bool(result.rejects) and not result.tables
    told = replace(
        record,
        rows=result.rows,
        rejects=len(result.rejects),
        state="refused" if refused else "taken",
        reason=_why_refused(result) if refused else "",
    )
    return ReadFile(told, result.tables, result.rejects)


def _why_refused(result: ReadResult) -> str:
    first = result.rejects[0]
    if first.line is None and len(result.rejects) == 1:
        return first.reason
    where = f"line {first.line}: " if first.line is not None else ""
    return f"none of its {result.rows} rows could be read; first: {where}{first.reason}"
