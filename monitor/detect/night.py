"""What a detector is shown of one site and one local day, and what it may say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import numpy as np

from ingest.readings import Mask, Seconds, Values
from monitor.config.models import Site
from monitor.detect.finding import Finding, Level
from monitor.model.gain import Gains
from monitor.model.grid import STEP_S
from monitor.model.history import SiteHistory
from monitor.model.ladder import Expected
from monitor.model.learned_sky import KeptLooks
from monitor.model.measured import Recorded
from monitor.model.physics import Physics
from monitor.model.span import SiteSpan

_UNSHADED = 0.87
Says = Literal["trouble", "healthy", "unclear"]
# Beside causes, what may be wrong instead (see `Verdict.others`): the site file.
PAPERS = "site_file"


@dataclass(frozen=True, slots=True)
class Stillness:
    """How much of a day's judgeable energy a unit was at nothing for.

    `share` is by expected energy, None on a day too dark or too full of gaps to judge. `stopped_at` is the first grid
    interval of the standstill that lasts to the day's end, None if there is none.
    """

    judged_kwh: float
    full_hours: float  # at the low end of what is expected, in hours of full power
    share: float | None
    stopped_at: int | None
    stop_kwh: float
    likely: bool = False  # too dull for the low end of what is expected: judged by what is most likely

    @property
    def is_still(self) -> bool:
        """The unit made nothing all day, or stopped for good during the day."""
        return self.share is not None and (self.share >= 0.9 or self.stopped_at is not None)

    @property
    def is_working(self) -> bool:
        """The unit was at work for nearly all of the day's energy."""
        return self.share is not None and self.share <= 0.1


@dataclass(frozen=True, slots=True)
class UnitNight:
    """A string (DC) or inverter (AC) on one day of T grid intervals; powers in W, NaN is a gap."""

    subject: str
    rated_w: float
    expected: Expected
    power_w: Values
    marked: float = 0.0  # share of the day's expected energy whose readings are not believed: gaps in `power_w`
    judged: list[Stillness] = field(default_factory=list, init=False, repr=False, compare=False)  # see `stillness`


@dataclass(frozen=True, slots=True)
class DayLoss:
    """Energy lost on one local day, with an 80 % range [kWh]."""

    day: date
    kwh: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class GapStep:
    """What an inverter's register counted over a gap, beside what was expected of that time [kWh]."""

    inverter: str
    first_day: date
    last_day: date
    counted_kwh: float
    expected_kwh: float
    expected_low_kwh: float
    losses: tuple[DayLoss, ...]


@dataclass(frozen=True, slots=True)
class Region:
    """How the neighbours within reach fare: sites with a unit at nothing today or this past week, and the others."""

    sites_at_nothing: int = 0
    sites_working: int = 0
    last_still: date | None = None  # the last day of these on which they stood still together

    @property
    def looks_snowed_in(self) -> bool:
        """Several neighbours stood still of late, or one of the few that there are."""
        return self.sites_at_nothing >= 2 or (self.sites_at_nothing == 1 and self.sites_working < 3)


@dataclass(frozen=True, slots=True)
class SiteNight:
    """Everything that was known of a site at the end of a local day."""

    site: Site
    day: date
    starts: Seconds
    units: Mapping[str, UnitNight]
    meters_w: Mapping[str, Values]  # generation meters by `meter:ID`
    light_w: Values  # power that the site gives at the least; zero where an inverter might well sleep
    heard: Mapping[str, Values]  # by source id: covered share of each interval
    expecting: frozenset[str]  # sources that have delivered before
    silent_nights: Mapping[str, int]  # by source id: light nights in a row without readings, this one left out
    snow_possible: bool
    dull: bool = False  # `light_w` is what the site most likely gives: at the least it might sleep all day
    snow_left: float | None = None  # degree days that would melt what may lie this evening; None: nobody measures
    region: Region = field(default_factory=Region)
    gap_steps: tuple[GapStep, ...] = ()
    physics: Physics | None = None  # the day's tables, behind what stands before the sky
    open_physics: Physics | None = None  # the same with nothing before it
    gains: Mapping[str, Gains] = field(default_factory=dict)
    index: Values = field(
        default_factory=lambda: np.zeros(0)
    )  # clear-sky index by the surest source, NaN where guessed
    in_thousandths: frozenset[str] = frozenset()  # units whose readings were in kilowatts: gaps tonight
    outside_w: Mapping[str, Values] = field(default_factory=dict)  # expected power without what the own roof tells
    span: SiteSpan | None = None  # readings of the days around
    past: SiteHistory = field(default_factory=SiteHistory)  # what the nights before have left
    looks: Mapping[str, Sequence[KeptLooks]] = field(default_factory=dict)  # recent looks at the sky, once a week
    beside: Sequence[SiteHistory] = ()  # what the neighbours' nights have left, the nearest first
    known: tuple[Finding, ...] = ()  # the site's findings as of the night before
    traits: Mapping[str, Mapping[str, float]] = field(default_factory=dict)  # what was observed tonight, by subject
    held: Mapping[str, Mask] = field(default_factory=dict)  # by inverter id, once worked out: see `held_back`

    @property
    def begin(self) -> int:
        """First second of the day [UTC epoch seconds]."""
        return int(self.starts[0])

    @property
    def end(self) -> int:
        """First second after the day [UTC epoch seconds]."""
        return int(self.starts[-1]) + STEP_S

    def on_grid(self, subject: str, quantity: str) -> Values | None:
        """A recorded mean state on the day's grid, shape (T,); None where nothing is recorded."""
        recorded = self._recorded(subject, quantity)
        if recorded is None or self.span is None:
            return None
        return recorded.on_grid()[self.span.days[self.day]]

    def as_recorded(self, subject: str, quantity: str) -> tuple[Seconds, Seconds, Values] | None:
        """Begins, ends and values of a mean state's readings on the day; None where nothing is recorded."""
        recorded = self._recorded(subject, quantity)
        return None if recorded is None else recorded.between(self.begin, self.end)

    def series(self, subject: str, trait: str) -> tuple[Seconds, Values]:
        """Day ordinals and values of a trait up to tonight, oldest first; days without it are left out."""
        days, values = self.past.series(subject, trait)
        tonight = self.traits.get(subject, {}).get(trait)
        if tonight is None:
            return days, values
        return np.concatenate((days, [self.day.toordinal()])), np.concatenate((values, [tonight]))

    def unshaded(self, subject: str) -> Mask:
        """Intervals in which nothing that is known stands between the sun and a string or inverter, shape (T,)."""
        assert self.open_physics is not None
        kind, _, name = subject.partition(":")
        units = [subject, *(f"string:{s.id}" for s in self.site.strings_of(name) if kind == "inverter")]
        sun, lit = self.open_physics.sun, np.ones(self.starts.shape, dtype=bool)
        for unit in units:
            sky = self.past.skies.get(unit)
            if sky is not None and sky.casts_shade:
                height = np.maximum(sun.elevation_deg, 0.0)
                lit &= sky.sky_map.transmittance(sun.azimuth_deg, height, sun.day_of_year) > _UNSHADED
        return lit

    def open_finding(self, subject: str, cause: str) -> Finding | None:
        """The open finding of a subject and cause, if there is one."""
        found = [f for f in self.known if (f.subject, f.cause, f.state) == (subject, cause, "open")]
        return found[0] if found else None

    def untroubled(self, subject: str, cause: str, days: Seconds) -> Mask:
        """Which days (ordinals) lie outside of every cleared finding of a subject and cause, shape of `days`."""
        free = np.ones(days.shape, dtype=bool)
        for f in self.known:
            if (f.subject, f.cause) == (subject, cause) and f.cleared is not None:
                free &= (days < f.since.toordinal()) | (days > f.last_seen.toordinal())
        return free

    def by_right_clocks(self, days: Seconds) -> Mask:
        """Which days (ordinals) lie outside of every finding of a wrong clock at the site, shape of `days`."""
        free = np.ones(days.shape, dtype=bool)
        for f in self.known:
            if f.cause == "clock_error" and f.verdict != "not-a-fault":
                free &= (days < f.since.toordinal()) | (days > f.last_seen.toordinal())
        return free

    def _recorded(self, subject: str, quantity: str) -> Recorded | None:
        return None if self.span is None else self.span.measured.recorded.get((subject, quantity))

    def energy_kwh(self, power_w: Values, where: Mask | None = None) -> float:
        """Energy of a power over the day, or over some of its intervals [kWh]."""
        chosen = power_w if where is None else power_w[where]
        return float(np.where(np.isnan(chosen), 0.0, chosen).sum() * STEP_S / 3.6e6)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a detector says about one subject tonight.

    `unclear` neither raises nor clears; its losses count only if the trouble is found to have gone on.
    """

    subject: str
    cause: str
    says: Says
    confidence: float = 0.0
    since: date | None = None
    losses: tuple[DayLoss, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)
    nights_needed: int = 1  # nights of trouble in a row before it is reported
    others: Mapping[str, float] = field(default_factory=dict)  # chances of other causes; `confidence` is this one's
    level: Level | None = None  # where it is not the one that the cause usually has


def marked_part(unit: UnitNight) -> dict[str, float]:
    """What the evidence says of readings that were not believed: nothing where there were none."""
    return {"marked_share": round(unit.marked, 3)} if unit.marked > 0.0 else {}


def heard_share(night: SiteNight, source: str) -> float | None:
    """Share of the day's light during which a source was heard; None on a day too dark to expect anything."""
    total = float(np.sum(night.light_w))
    return float(np.sum(night.light_w * night.heard[source])) / total if total > 0.0 else None
