"""Digest data: all that a digest says, before any layout. Energies in kWh, days local to the site, a gap is NaN."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from monitor.detect.finding import Level, State
from monitor.report.proof.drawing import Proof
from monitor.report.steps import Steps

Kind = Literal["service", "homeowner"]
ChangeKind = Literal["new", "again", "worse", "renamed", "cleared", "unchanged"]


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
    change: ChangeKind = "unchanged"  # since the digest before
    why: str = ""  # it is said to have changed, a sentence
    otherwise: str = ""  # the likeliest other cause, in words
    may_be_danger: bool = False
    last_seen: date | None = None  # last day on which the trouble showed


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """Findings of one likely cause, told once: those of one site, or of several with what they have in common.

    `proof` is the picture's data, of the first finding, and `proof_alt` what it shows.
    """

    cards: tuple[FindingCard, ...]
    steps: Steps
    common: str = ""
    proof: Proof | None = None
    proof_alt: str = ""

    @property
    def first(self) -> FindingCard:
        """The gravest of its findings."""
        return self.cards[0]

    @property
    def sites(self) -> tuple[str, ...]:
        """Names of its sites."""
        return tuple(dict.fromkeys(card.site for card in self.cards))

    @property
    def ahead(self) -> float | None:
        """What the next twelve months would lose, all together [kWh]; None where nobody knows."""
        known = [card.ahead for card in self.cards if card.ahead is not None]
        return sum(known) if known else None

    @property
    def ahead_money(self) -> float | None:
        """The same in money; None unless it is known of all."""
        return _all_of([card.ahead_money for card in self.cards])

    @property
    def lost(self) -> float:
        """What was lost so far, all together [kWh]."""
        return sum(card.lost for card in self.cards)

    @property
    def lost_money(self) -> float | None:
        """The same in money; None unless it is known of all."""
        return _all_of([card.lost_money for card in self.cards])


def _all_of(parts: list[float | None]) -> float | None:
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceDigest:
    """The morning of a service team. `since_last` is the first day that the digest before did not tell.

    `news` is new, back, worse or renamed since then; `standing` is open as it was told before. Both are ranked.
    """

    edition: Edition
    fleet: str
    as_of: date
    since_last: date
    currency: str
    sites: int
    news: tuple[Story, ...]
    standing: tuple[Story, ...]
    cleared: tuple[Story, ...]
    notes: tuple[FindingCard, ...]  # new ones
    quiet: tuple[str, ...]
    without_data: tuple[str, ...]  # a line each
    set_aside: tuple[str, ...]

    @property
    def tells_nothing(self) -> bool:
        """Whether there is nothing but notes, which say what is normal."""
        return not (self.news or self.standing or self.cleared or self.without_data or self.set_aside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """Something the firm knows about a roof, in the homeowner's words."""

    text: str
    is_over: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class YearAndQuote:
    """Twelve months up to the end of the digest's month beside what was quoted for a year, all over `days` [kWh].

    `quoted` is the quote's part of those days, `weathered` the same under the weather that they had, with its range;
    None where nobody saw the clouds.
    """

    days: int
    measured: float
    quoted: float
    quoted_year: float
    weathered: float | None = None
    low: float = 0.0
    high: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sunniness:
    """How much the weather of a month allowed over that of another one (1: as much): a year before, or the usual."""

    ratio: float
    than: Literal["last_year", "usual"]


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
    """One month of one roof. `total` is None when not one day has data; `contact` is an e-mail address.

    `daily` begins with the day on which the roof was commissioned, if that lies in the month; `begun` is that day while
    the roof is in its first weeks.
    """

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
    phone: str | None = None
    begun: date | None = None
    sunniness: Sunniness | None = None
