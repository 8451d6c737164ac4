"""Lines that are not plain rows, one by one: rows after all, repeated headers, remarks, or set aside."""

from __future__ import annotations

from collections import Counter

from ingest.readers.header import Header
from ingest.readers.rejects import Rejects
from ingest.readers.sheet import Wanted
from ingest.readers.text import split_line
from ingest.readers.times import expected_form


class OddLines:
    """Sorts lines in the file's order, and counts what is left out."""

    def __init__(self, header: Header, wanted: Wanted, rejects: Rejects) -> None:
        self.header, self.wanted, self.rejects = header, wanted, rejects
        self.lost = 0
        self.left_out: Counter[str] = Counter()
        self._sums: list[tuple[int, str]] = []  # lines with a word for a time and numbers: sums, if no row follows
        self._rows_seen = False

    def sort(self, number: int, raw: str) -> list[str] | None:
        """The cells of a line that is a row; anything else is counted or set aside."""
        header, wanted = self.header, self.wanted
        cells = split_line(raw, header.delimiter)
        if cells is None:
            self._lose(number, raw, "a quote is opened and not closed on this line")
        elif not any(cells):
            return None
        elif tuple(cells[: len(header.names)]) == header.names:
            self.left_out["repeated"] += 1
        elif wanted.is_remark(cells):
            self.left_out["remarks"] += 1
            if wanted.has_number(cells):
                self._sums.append((number, wanted.stamp(cells).strip()))
        elif len(cells) >= len(header.names) and not any(cells[len(header.names) :]):
            self.rows_follow()
            return cells
        else:
            self._lose(number, raw, _wrong_count(len(cells), header))
        return None

    def sort_partial(self, number: int, raw: str) -> None:
        """The last line, when it has no end: its last cell may be cut short, so it is not taken."""
        cells = split_line(raw, self.header.delimiter)
        if cells is not None and self.wanted.is_remark(cells):
            self.left_out["remarks"] += 1
        else:
            why = "the last line is partial (no line end), so a number may be cut short; it is not taken"
            self._lose(number, raw, why)

    def rows_follow(self) -> None:
        """A row follows: what looked like a sum before it is a row whose time is damaged."""
        self._rows_seen = True
        if self._sums:
            self._reject_sums()

    def end(self) -> None:
        """No line follows. In a file without a row nothing is a sum."""
        if self._sums and not self._rows_seen:
            self._reject_sums()

    def notes(self) -> tuple[str, ...]:
        """What was left out without being set aside."""
        return notes_of(self.left_out)

    def _reject_sums(self) -> None:
        spec = self.wanted.spec
        for number, text in self._sums:
            self.rejects.add(number, spec.column, text, f"not a time; expected {expected_form(spec)}")
        self.left_out["remarks"] -= len(self._sums)
        self.lost += len(self._sums)
        self._sums.clear()

    def _lose(self, number: int, raw: str, why: str) -> None:
        self.lost += 1
        self.rejects.add(number, "", raw, why)


def notes_of(left_out: Counter[str]) -> tuple[str, ...]:
    """What was left out of a file without being set aside."""
    texts = {"repeated": "repeated header lines left out", "remarks": "lines that are no readings left out"}
    return tuple(f"{left_out[key]} {text}" for key, text in texts.items() if left_out[key])


def _wrong_count(found: int, header: Header) -> str:
    hint = ""
    if found > len(header.names) and header.delimiter == ",":
        hint = " (decimal commas need quotes or another delimiter)"
    return f"{found} cells, expected {len(header.names)} as in the header (line {header.line}){hint}"
