"""The fleet's lines as pages and, for the search, as a compact index that a page takes from its own folder."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

from monitor.report.board.sheet import GROUPS, Front, Group, Line
from monitor.report.templating import render_plain
from monitor.report.words import count, day_words

ROWS = 100  # on a page
PIECE = 2_500  # lines in one file of the index
_GROUPS: tuple[Group, ...] = tuple(GROUPS)


def in_order(lines: Sequence[Line]) -> tuple[Line, ...]:
    """By group, within it by what is most pressing."""
    return tuple(sorted(lines, key=lambda line: (_GROUPS.index(line.group), line.order, line.name, line.id)))


def front_pages(front: Front) -> Iterator[tuple[str, str]]:
    """Every page of the list by the name of its file."""
    pages = [front.lines[at : at + ROWS] for at in range(0, max(len(front.lines), 1), ROWS)]
    names = [page_name(number) for number in range(len(pages))]
    begins = {group: _where(front, group) for group in _GROUPS}
    for number, lines in enumerate(pages):
        context: dict[str, Any] = {
            "d": front,
            "as_of": day_words(front.as_of),
            "headline": headline(front),
            "groups": GROUPS,
            "begins": begins,
            "parts": [(g, part) for g in _GROUPS if (part := [line for line in lines if line.group == g])],
            "continued": {line.group for line in front.lines[: number * ROWS]},
            "number": number,
            "names": names,
            "rows": ROWS,
            "pieces": [piece_name(i) for i in range(-(-len(front.lines) // PIECE))],
            "causes": sorted({line.cause for line in front.lines if line.cause}),
            "day": _day,
            "up": "",
        }
        yield names[number], render_plain("board/front.html", context)


def index_pieces(front: Front) -> Iterator[tuple[str, str]]:
    """The lines for the search, as scripts, because a page opened from a disk may read nothing else."""
    causes = sorted({line.cause for line in front.lines if line.cause})
    numbers = {cause: number for number, cause in enumerate(causes)}
    for piece, at in enumerate(range(0, len(front.lines), PIECE)):
        rows = [_short(line, numbers) for line in front.lines[at : at + PIECE]]
        text = json.dumps(rows, ensure_ascii=True, separators=(",", ":")).replace("</", "<\\/")
        yield piece_name(piece), f"boardLines({piece},{text});\n"


def headline(front: Front) -> str:
    """The fleet in a sentence."""
    today, visit = front.counts["today"], front.counts["visit"]
    sites = count(len(front.lines), "site", "sites")
    if not today and not visit:
        return f"Nobody is needed today on any of {sites}."
    needs = f"{count(today, 'site needs', 'sites need')} somebody today" if today else "Nobody is needed today"
    return f"{needs}, {count(visit, 'site is', 'sites are')} worth a visit, of {sites}."


def page_name(number: int) -> str:
    """File of a page of the list; the first is the front page."""
    return "index.html" if number == 0 else f"list-{number + 1}.html"


def piece_name(number: int) -> str:
    """File of a piece of the index."""
    return f"lines-{number + 1}.js"


def _where(front: Front, group: Group) -> str:
    """Where a group begins; empty where there is none of it."""
    at = next((i for i, line in enumerate(front.lines) if line.group == group), None)
    return "" if at is None else f"{page_name(at // ROWS)}#{group}"


def _short(line: Line, causes: dict[str, int]) -> list[Any]:
    """A line without what the script knows, and without empty ends."""
    row: list[Any] = [
        line.id, line.name, _GROUPS.index(line.group), line.what, line.level, causes.get(line.cause, -1), line.since,
        line.lost, line.ahead, line.sure,
    ]  # fmt: skip
    if not line.level:
        row = row[:4]
    return row[:3] if len(row) == 4 and not line.what else row


def _day(text: str) -> str:
    """2026-04-06 as a person reads it."""
    return day_words(date.fromisoformat(text)) if text else ""
