"""One file to tables, rejects and the line that the ledger keeps of it."""

from __future__ import annotations

import hashlib
import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta

from ingest.arrivals import config_hash
from ingest.contents import Content, read_content
from ingest.readings import ReadResult, Reject, Table
from ingest.sources import FileSource
from ingest.timeline import local_day
from monitor.config import Site
from monitor.jobs.plausible import Believable, Doubts, sift
from monitor.store.ledger import FileRecord
from monitor.store.readings import MergeCount

_DAY_S = 86_400
LISTED, NOTED = 1000, 50  # rejects and notes of one file, which an archive of many may reach
_UNLISTED = re.compile(r"and (\d+) more rows or cells set aside")


def believable(site: Site, now: int) -> Believable:
    """What can be true of a site's readings: from the day before it was commissioned until a day from now."""
    earliest, _ = local_day(site.site.commissioned - timedelta(days=1), site.zone)
    return Believable(earliest, now + _DAY_S, frozenset(site.known_subjects()))


def settings_hash(site: Site, source: FileSource) -> str:
    """Hash of all that decides what is taken of a source's files: when it changes they are read again."""
    bounds = believable(site, 0)
    told = f"{config_hash(source)} {bounds.earliest} {' '.join(sorted(bounds.subjects))}"
    return hashlib.sha256(told.encode()).hexdigest()


@dataclass(slots=True)
class FileReading:
    """A file that is being read: its tables come one after the other, the rest is put together on the way."""

    record: FileRecord
    content: Content
    source: FileSource
    bounds: Believable
    ready: ReadResult | None = None  # what it holds, where it was read with others like it
    conflicts: int = 0  # cells that differ from those of an earlier row of the same time
    _rows: int = 0
    _gives_readings: bool = False
    _rejects: list[Reject] = field(default_factory=list)
    _unlisted: int = 0
    _doubts: dict[str, Doubts] = field(default_factory=lambda: defaultdict(Doubts))
    _notes: Counter[tuple[str, str]] = field(default_factory=Counter)

    def tables(self) -> Iterator[tuple[Table, ...]]:
        """Read on; raises Changed when the file became another one meanwhile."""
        ready = self.ready
        for name, result in read_content(self.content, self.source) if ready is None else [(self.record.path, ready)]:
            kept, doubts = sift(result, self.bounds)
            self._doubts[name] += doubts
            self._take(name, kept)
            yield kept.tables

    @property
    def rejects(self) -> tuple[Reject, ...]:
        """All that was set aside so far, the first ones listed and the rest counted."""
        doubts = [reject for name, doubts in self._doubts.items() for reject in doubts.rejects(name, self.bounds)]
        every = [*self._rejects, *doubts]
        unlisted = self._unlisted + max(0, len(every) - LISTED)
        more = Reject(self.record.path, None, "", "", f"and {unlisted} more rows or cells set aside")
        return (*every[:LISTED], *([more] if unlisted else []))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know of the file but nothing was lost by."""
        return tuple(f"{name}: {_with_count(text, count)}" for (name, text), count in self._notes.items())

    def entry(self, count: MergeCount) -> FileRecord:
        """The ledger's line, once the store has told what was new."""
        rejects = self.rejects
        refused = bool(rejects) and not self._gives_readings
        again = [
            at for doubts in self._doubts.values() if (at := doubts.read_again_at(self.record.taken_at)) is not None
        ]
        return replace(
            self.record,
            rows=self._rows,
            rejects=len(rejects),
            state="refused" if refused else "taken",
            reason=self._why_refused(rejects) if refused else "",
            readings_new=count.new,
            readings_same=count.same,
            conflicts=count.conflicts + self.conflicts,
            read_again_at=min(again, default=None),
        )

    def _take(self, name: str, result: ReadResult) -> None:
        self._rows += result.rows
        self.conflicts += result.conflicts
        self._gives_readings |= bool(result.tables)
        for reject in result.rejects:
            beyond = _UNLISTED.fullmatch(reject.reason)
            if beyond is None and len(self._rejects) < LISTED:
                self._rejects.append(reject)
            else:
                self._unlisted += int(beyond[1]) if beyond is not None else 1
        for note in result.notes:
            text, count = _without_count(note)
            if len(self._notes) < NOTED or (name, text) in self._notes:
                self._notes[name, text] += count

    def _why_refused(self, rejects: tuple[Reject, ...]) -> str:
        first = rejects[0]
        inside = first.file.removeprefix(self.record.path).removeprefix("/")
        where = f"{inside}: " if inside else ""
        if first.line is None and len(rejects) == 1:
            return where + first.reason
        where += f"line {first.line}: " if first.line is not None else ""
        return f"none of its {self._rows} rows could be read; first: {where}{first.reason}"


def _without_count(note: str) -> tuple[str, int]:
    """A note of a piece without the number it begins with, so that those of all pieces can be added up."""
    found = re.match(r"(\d+) ", note)
    return (note[found.end() :], int(found[1])) if found is not None else (note, 0)


def _with_count(text: str, count: int) -> str:
    return f"{count} {text}" if count else text
