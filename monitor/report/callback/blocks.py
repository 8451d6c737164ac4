"""What a pack is laid out of: blocks that the page and the paper show alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Tone = Literal["plain", "lead", "soft", "check"]


@dataclass(frozen=True, slots=True)
class Heading:
    """A title (level 1), a section (2) or a part of one (3)."""

    text: str
    level: int = 2
    over: str = ""  # a small line above it


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; `check` stands on a tint, with `strong` before it in bold."""

    text: str
    tone: Tone = "plain"
    strong: str = ""


@dataclass(frozen=True, slots=True)
class Listing:
    """Points in a row, each with a bold beginning or none."""

    items: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: its text, and smaller below it what it rests on."""

    text: str
    below: str = ""
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table with heads; the first column takes the room, the `numbers` last ones stand to the right."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numbers: int = 0


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture, and what it shows for those who do not see it; the caption stands below it."""

    name: str
    png: bytes
    alt: str
    caption: str = ""


Block = Heading | Paragraph | Listing | Grid | Shown
