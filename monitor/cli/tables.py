"""Columns of text for a terminal."""

from __future__ import annotations

from collections.abc import Collection, Sequence


def aligned(rows: Sequence[Sequence[str]], *, right: Collection[int] = ()) -> list[str]:
    """One line a row, every column as wide as its widest cell; columns in `right` are set to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [row[i].rjust(width) if i in right else row[i].ljust(width) for i, width in enumerate(widths)]
        lines.append("  ".join(cells).rstrip())
    return lines
