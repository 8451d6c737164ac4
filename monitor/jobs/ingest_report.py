"""What a pass of ingest did, counted while it runs, and how that is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.readings import Reject
from monitor.store.ledger import FileRecord

REASONS_TOLD = 10
REMARKS_TOLD = 10


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark on files: the first one, and how many there are."""

    first: str
    files: int


@dataclass(slots=True)
class IngestReport:
    """What a pass did, counted while it runs."""

    files_taken: int = 0
    files_known: int = 0
    files_waiting: int = 0
    files_refused: int = 0
    files_forgotten: int = 0  # refused ones that are there no longer
    readings_new: int = 0
    readings_same: int = 0
    readings_replaced: int = 0
    conflicts_within: int = 0  # cells of a file that a later row of it replaced
    set_aside: int = 0  # pieces of input: cells, rows, whole files
    reasons: tuple[str, ...] = ()  # the first of them as sentences
    remarks: dict[str, Remark] = field(default_factory=dict)  # by their text: what was noted of files that were taken
    sources_unread: tuple[str, ...] = ()  # sentences of sources that this version cannot read
    failed: tuple[str, ...] = ()  # sentences of files that met an error; they are tried again
    complete: bool = True  # False: told to stop before the end

    @property
    def all_taken(self) -> bool:
        """Whether nothing was set aside and nothing failed."""
        return not (self.set_aside or self.sources_unread or self.failed)

    def count(
        self, record: FileRecord, rejects: Sequence[Reject], *, within: int = 0, notes: Sequence[str] = ()
    ) -> None:
        """Add a file that is in the store now."""
        if record.state == "refused":
            self.files_refused += 1
        else:
            self.files_taken += 1
        self.readings_new += record.readings_new
        self.readings_same += record.readings_same
        self.readings_replaced += record.conflicts - within
        self.conflicts_within += within
        self.set_aside += len(rejects)
        self.reasons += tuple(sentence(r) for r in rejects[: REASONS_TOLD - len(self.reasons)])
        for note in notes:
            file, _, text = note.partition(": ")
            before = self.remarks.get(text)
            self.remarks[text] = Remark(file, 1) if before is None else Remark(before.first, before.files + 1)


def remarks_told(report: IngestReport) -> list[str]:
    """The remarks as sentences, one for all files that have the same."""
    told = [
        f"{one.first}{f' and {one.files - 1} more' if one.files > 1 else ''}: {text}"
        for text, one in list(report.remarks.items())[:REMARKS_TOLD]
    ]
    more = len(report.remarks) - len(told)
    return [*told, f"and {more} more remarks on files that were taken"] if more else told


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
    if report.conflicts_within:
        parts.append(f"{report.conflicts_within} cells differ within a file")
    if report.files_forgotten:
        parts.append(f"{report.files_forgotten} refused files gone")
    if report.sources_unread:
        parts.append(f"{len(report.sources_unread)} sources not read")
    if report.failed:
        parts.append(f"{len(report.failed)} failed")
    return ", ".join(parts)


def sentence(reject: Reject) -> str:
    """A reject as a line that names file, line, field, what was found, and why it was not taken."""
    place = reject.file if reject.line is None else f"{reject.file}:{reject.line}"
    field = f"{reject.field}: " if reject.field else ""
    text = f"{reject.text!r}: " if reject.text else ""
    return f"{place}: {field}{text}{reject.reason}"
