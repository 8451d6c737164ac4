"""Board data: all that its pages say, before any layout."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from monitor.detect.finding import Level
from monitor.report.digest import FindingCard

Group = Literal["today", "visit", "watch", "quiet", "silent"]

# In the order of the pages: a group in a word, and what it means.
GROUPS: dict[Group, tuple[str, str]] = {
    "today": ("Today", "needs somebody today: urgent, or it may be a danger"),
    "visit": ("Visit", "worth a visit: plan one"),
    "watch": ("Watch", "not certain or not costly yet: keep an eye on it"),
    "quiet": ("Quiet", "nothing to tell"),
    "silent": ("Silent", "no readings arrive"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A site in one line of the front page; empty texts where there is nothing to say."""

    id: str
    name: str
    group: Group
    level: str = ""  # in words
    cause: str = ""
    what: str = ""
    since: str = ""
    lost: str = ""
    ahead: str = ""
    sure: str = ""
    order: tuple[float, ...] = ()  # within the group: the smallest first


@dataclass(frozen=True, slots=True)
class Bars:
    """Energies side by side [kWh], NaN where there are none; `lost` is what acts and may be drawn as a loss."""

    unit: str  # kWh a day
    labels: tuple[tuple[int, str], ...]  # place and text
    measured: tuple[float, ...]
    expected: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    lost: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture beside a page: its file's name, what it shows, and what it was drawn from."""

    file: str
    alt: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A finding on a site's page."""

    card: FindingCard
    level: Level
    may_be_danger: bool
    evidence: tuple[tuple[str, str], ...]
    other_cause: str = ""
    picture: Picture | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """A row of where the energy went: whole watt-hours, and the part of what was expected."""

    label: str
    wh: int
    part: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Where twelve months went; the shares add up to what was expected, to the watt-hour."""

    first: date
    last: date
    days: int
    expected: int
    shares: tuple[Share, ...]


@dataclass(frozen=True, slots=True)
class SourceTold:
    """A data source: its name, what it tells of, the last day with readings."""

    name: str
    tells: str
    last: str
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class SkyWords:
    """What stands before one sky, and its picture where anything does."""

    heading: str
    sentences: tuple[str, ...]
    picture: Picture | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteSheet:
    """One site's page."""

    line: Line
    until: date | None
    currency: str
    roof: str
    open: tuple[Entry, ...]
    notes: tuple[Entry, ...]
    past: tuple[Entry, ...]
    months: Bars | None
    days: Bars | None
    balance: Balance | None
    skies: tuple[SkyWords, ...]
    limits: tuple[tuple[str, str], ...]
    sources: tuple[SourceTold, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """The fleet's pages: every site's line in order, and what stands beside them."""

    fleet: str
    as_of: date
    lines: tuple[Line, ...]
    counts: Mapping[Group, int]
    faults: tuple[str, ...]
