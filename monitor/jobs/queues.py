"""Which files of a source are to be read: not those that lie there unchanged, nor those whose content is known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from ingest.arrivals import Arrival, Listing, content_hash
from ingest.contents import Content, look_into
from ingest.errors import InputError
from ingest.readings import Reject
from ingest.sources import FileSource
from monitor.config import Site
from monitor.jobs.ingest_report import IngestReport
from monitor.jobs.reading import settings_hash
from monitor.store import Store
from monitor.store.ledger import seen_many
from monitor.store.sightings import Known, Sighting, forget_missing, known_files, note_sightings

# So many files, and so many bytes, are held in memory together and share a transaction: a commit costs more than a
# small file.
FILES_AT_ONCE = 50
BYTES_AT_ONCE = 16 << 20


@dataclass(frozen=True, slots=True)
class Fresh:
    """Something to be taken: a file's content, or an entry that is no file (`refused`); and where it was seen."""

    sighting: Sighting
    content: Content | None = None
    refused: Reject | None = None


@dataclass(slots=True)
class Queue:
    """A source and what lies there for it.

    Of files that contradict each other the one whose content is taken later wins. In one pass that is the order of
    the paths; files that are read again, because settings were mended, keep the order in which they were taken.
    """

    site: Site
    source: FileSource
    listing: Listing
    now: int
    everything: bool = True  # False: somebody asked for some files
    unfinished_s: int = 0
    settings: str = field(init=False)
    _taken: set[str] = field(default_factory=set, init=False)  # contents of this pass

    def __post_init__(self) -> None:
        self.settings = settings_hash(self.site, self.source)

    @property
    def name(self) -> str:
        """For messages."""
        return f"{self.site.id}/{self.source.id}"

    def fresh(self, store: Store, report: IngestReport) -> Iterator[Fresh]:
        """What is to be taken; counts the rest."""
        report.files_waiting += len(self.listing.waiting)
        known = self._known(store, report)
        yield from self._refused_entries(known, report)
        changed = []
        for arrival in self.listing.arrivals:
            if self._is_unchanged(arrival, known.get(arrival.path)):
                report.files_known += 1
            else:
                changed.append(arrival)
        for some in _portions(sorted(changed, key=lambda a: self._place(known.get(a.path)))):
            yield from self._changed_files(store, some, known, report)

    def sighting(self, path: str, sha256: str, stamp: str | None) -> Sighting:
        """What lies where."""
        return Sighting(
            site=self.site.id, source=self.source.id, path=path, sha256=sha256, config_hash=self.settings, stamp=stamp
        )

    def is_young(self, content: Content) -> bool:
        """Whether a file changed a moment ago, so that what is unfinished about it may be on its way."""
        return self.everything and abs(self.now - content.arrival.modified) < self.unfinished_s

    def _known(self, store: Store, report: IngestReport) -> Mapping[str, Known]:
        place = {"site": self.site.id, "source": self.source.id}
        with store.read() as conn:
            known = known_files(conn, **place)
        present = self.listing.paths
        if not self.everything or not self.listing.is_whole or known.keys() <= present:
            return known
        with store.write() as conn:
            report.files_forgotten += len(forget_missing(conn, **place, present=present))
            return known_files(conn, **place)

    def _refused_entries(self, known: Mapping[str, Known], report: IngestReport) -> Iterator[Fresh]:
        """Directory entries that are no files to read; what they are stands in for the content they do not have."""
        for reject in self.listing.rejects:
            sha256 = content_hash(f"{reject.file}: {reject.reason}".encode())
            if self._is_same(sha256, known.get(reject.file)):
                report.files_known += 1
            else:
                yield Fresh(self.sighting(reject.file, sha256, None), refused=reject)

    def _changed_files(
        self, store: Store, arrivals: Sequence[Arrival], known: Mapping[str, Known], report: IngestReport
    ) -> Iterator[Fresh]:
        """Read what may have changed; a content that is known is noted as seen there."""
        contents = list(self._contents(arrivals, report))
        elsewhere = self._seen_elsewhere(store, contents, known)
        seen = []
        for content in contents:
            arrival = content.arrival
            stamp = arrival.stamp if arrival.is_settled(self.now) else None
            sighting = self.sighting(arrival.path, content.sha256, stamp)
            before = known.get(arrival.path)
            is_elsewhere = content.sha256 in elsewhere or content.sha256 in self._taken
            if self._is_same(content.sha256, before) or (before is None and is_elsewhere):
                report.files_known += 1
                if before is None or before.stamp != stamp:
                    seen.append(sighting)
                continue
            if content.ends_open and self.is_young(content):
                report.files_waiting += 1
                continue
            self._taken.add(content.sha256)
            yield Fresh(sighting, content=content)
        if seen:
            with store.write() as conn:
                note_sightings(conn, seen)

    def _contents(self, arrivals: Sequence[Arrival], report: IngestReport) -> Iterator[Content]:
        for arrival in arrivals:
            try:
                yield look_into(arrival)
            except InputError as error:
                report.failed += (str(error),)

    def _seen_elsewhere(self, store: Store, contents: Sequence[Content], known: Mapping[str, Known]) -> set[str]:
        """Contents in the ledger, for files that were not here at the last look: renamed ones, and copies."""
        hashes = [c.sha256 for c in contents if c.arrival.path not in known]
        if not hashes:
            return set()
        with store.read() as conn:
            return seen_many(conn, site=self.site.id, source=self.source.id, hashes=hashes, config_hash=self.settings)

    def _is_unchanged(self, arrival: Arrival, before: Known | None) -> bool:
        return before is not None and before.stamp == arrival.stamp and self._is_same(before.sha256, before)

    def _is_same(self, sha256: str, before: Known | None) -> bool:
        """Whether a content was there at the last look, was read with these settings, and is not due again."""
        if before is None or before.sha256 != sha256 or before.config_hash != self.settings:
            return False
        return before.read_again_at is None or before.read_again_at > self.now

    def _place(self, before: Known | None) -> tuple[int, int]:
        """Files that were taken in the past come first, in the order of then."""
        return (1, 0) if before is None else (0, before.place)


def _portions(arrivals: Sequence[Arrival]) -> Iterator[Sequence[Arrival]]:
    """Files that are held in memory together."""
    some: list[Arrival] = []
    for arrival in arrivals:
        if some and (len(some) == FILES_AT_ONCE or sum(a.size for a in some) + arrival.size > BYTES_AT_ONCE):
            yield some
            some = []
        some.append(arrival)
    if some:
        yield some
