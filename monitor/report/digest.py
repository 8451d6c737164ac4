"""Digest data: all that a digest says, before any layout. Energies in kWh, days local to the site, a gap is NaN."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from monitor.detect.finding import Level, State

Kind = Literal["service", "homeowner"]


def edition_name(kind: str, about: str, period: str) -> str:
    """What an edition is called wherever it is spoken of."""
    return f"service-{period}" if kind == "service" else f"home-{about}-{period}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Edition:
    """Which digest it is: the same (kind, about, period) is the same message."""

    kind: Kind
    about: str  # a site's id, or "fleet"
    period: str  # 2026-08-31 or 2026-08
    written: datetime  # aware, in the readers' zone

    @property
    def name(self) -> str:
        """File name without its ending."""
        return edition_name(self.kind, self.about, self.period)


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyEnergy:
    """Energy per local day, all tuples of the same length; only `whole` days can be compared with what was expected."""

    days: tuple[date, ...]
    measured: tuple[float, ...]
    expected: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    whole: tuple[bool, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sibling:
    """Another string of the same roof, drawn thinly beside the one in trouble."""

    label: str
    measured: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingChart:
    """What a finding's picture shows."""

    daily: DailyEnergy
    since: date
    until: date  # last day of the trouble so far
    asks_for_action: bool
    sibling: Sibling | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingCard:
    """One finding as the service team reads it."""

    site: str
    subject: str
    cause: str
    level: Level
    state: State
    is_new: bool
    since: date
    raised: date
    cleared: date | None
    confidence: float
    lost: float
    lost_low: float
    lost_high: float
    lost_money: float | None
    summary: str
    check_first: str
    ahead: float | None = None  # kWh that the next twelve months would lose
    ahead_money: float | None = None
    verdict: str | None = None  # an engineer's: confirmed, not-a-fault or repaired
    verdict_note: str = ""
    share_before: float | None = None  # measured over expected in the chart's days before `since`
    share_since: float | None = None
    chart: FindingChart | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceDigest:
    """The morning of a service team. `open` is ranked; `since_last` is the first day the digest before did not tell."""

    edition: Edition
    fleet: str
    as_of: date
    since_last: date
    currency: str
    sites: int
    open: tuple[FindingCard, ...]
    cleared: tuple[FindingCard, ...]
    notes: tuple[FindingCard, ...]
    quiet: tuple[str, ...]
    without_data: tuple[str, ...]  # a line each
    set_aside: tuple[str, ...]
    more_charts: bool = False  # pictures of further findings were left out

    @property
    def new(self) -> int:
        """How many open findings nobody was told of before."""
        return sum(card.is_new for card in self.open)

    @property
    def tells_nothing(self) -> bool:
        """Whether there is nothing but notes, which say what is normal."""
        return not (self.open or self.cleared or self.without_data or self.set_aside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """Something the firm knows about a roof, in the homeowner's words."""

    text: str
    is_over: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class YearAndQuote:
    """Twelve months up to the end of the digest's month beside what was quoted for a year."""

    measured: float
    quoted: float
    days_missing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """A month's energy. Expected figures are over the days that have both; None when there is no such day."""

    measured: float
    days_with_data: int
    compared: float | None  # measured over the days that have both
    expected: float | None
    low: float | None
    high: float | None
    days_compared: int
    is_rough: bool  # nobody saw the clouds: expected is from a clear sky's usual share


@dataclass(frozen=True, slots=True, kw_only=True)
class HomeownerDigest:
    """One month of one roof. `total` is None when not one day has data; `contact` is an e-mail address."""

    edition: Edition
    firm: str
    site: str
    first: date
    daily: DailyEnergy
    total: Month | None
    last_heard: date | None  # last day with readings up to the month's end
    year: YearAndQuote | None
    health: str
    matters: tuple[Matter, ...]
    contact: str | None
