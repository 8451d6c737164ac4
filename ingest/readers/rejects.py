"""Collects what a reader sets aside; a file that is wrong throughout does not flood the list."""

from __future__ import annotations

from ingest.readings import Reject

LISTED = 200
_SHOWN = 80


def shorten(text: str) -> str:
    """One line of at most 80 characters, without any that cannot be shown."""
    plain = "".join(character if character.isprintable() else " " for character in text[: _SHOWN + 1])
    return plain if len(plain) <= _SHOWN else plain[: _SHOWN - 1] + "…"


class Rejects:
    """The rejects of one file, in the order they were met."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._listed: list[Reject] = []
        self._unlisted = 0

    def add(self, line: int | None, field: str, text: str, reason: str) -> None:
        """Set one cell, row or file aside."""
        if len(self._listed) < LISTED:
            self._listed.append(Reject(self.file, line, field, shorten(text), reason))
        else:
            self._unlisted += 1

    def __len__(self) -> int:
        return len(self._listed) + self._unlisted

    def result(self) -> tuple[Reject, ...]:
        """The listed ones by line, and one more that counts the rest."""
        listed = sorted(self._listed, key=lambda r: r.line or 0)
        if self._unlisted:
            listed.append(Reject(self.file, None, "", "", f"and {self._unlisted} more rows or cells set aside"))
        return tuple(listed)
