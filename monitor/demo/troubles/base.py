"""What a trouble is, and how its days are drawn."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from monitor.demo.effects import Effect, Moment, What
from monitor.demo.plans import Home
from monitor.demo.span import Span
from monitor.demo.weather import Region

LEARNING = 0.35  # troubles stay out of the first part of the span, in which a roof shows what it can do


@dataclass(frozen=True, slots=True)
class Trouble:
    """What truly is wrong with a home; the last day is None when it never ended.

    `also` are other subjects that tell of the same thing. `lost_by_day` is what the inverters would have fed in
    besides, had all else been the same [kWh]. An obstruction's top is told as seen from the array.
    """

    site: str
    subject: str
    cause: str
    first_day: date
    last_day: date | None
    note: str
    also: tuple[str, ...] = ()
    kind: str = ""
    lost_by_day: tuple[tuple[date, float], ...] = ()
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    loss_fraction: float | None = None

    @property
    def lost_kwh(self) -> float:
        """All that it cost."""
        return sum(kwh for _, kwh in self.lost_by_day)

    @property
    def first_felt(self) -> date:
        """The first day on which it cost something; its first day where it costs nothing."""
        return next((day for day, kwh in self.lost_by_day if kwh > 0.02), self.first_day)


@dataclass(frozen=True, slots=True)
class Happening:
    """A trouble with its effects; without one, what makes a healthy home look odd.

    `otherwise` are the effects that there would be had the trouble not come.
    """

    trouble: Trouble | None
    effects: tuple[Effect, ...]
    note: str = ""
    otherwise: tuple[Effect, ...] = ()


@dataclass(frozen=True, eq=False)
class Scene:
    """The home to which something is to happen, its weather, and chance."""

    home: Home
    span: Span
    region: Region
    seed: int
    rng: np.random.Generator

    def some_days(self, length: int) -> tuple[date, date]:
        """First and last day of a stretch after the learning time, if possible between March and October."""
        span, learnt = self.span, int(self.span.days * LEARNING)
        length = min(length, max(span.days // 6, 1))
        starts = np.arange(learnt, max(int(span.days * 0.95) - length, learnt + 1))
        bright = [s for s in starts.tolist() if 3 <= span.day(s).month <= 10]
        start = int(self.rng.choice(bright or starts.tolist()))
        return span.day(start), span.day(start + length - 1)

    def some_day(self, before_end: int, months: tuple[int, int] = (1, 12)) -> int:
        """Number of a day after the learning time and so many days before the end, in these months if possible."""
        learnt = int(self.span.days * LEARNING)
        days = np.arange(learnt, max(self.span.days - min(before_end, self.span.days // 3), learnt + 1)).tolist()
        wanted = [d for d in days if months[0] <= self.span.day(d).month <= months[1]]
        return int(self.rng.choice(wanted or days))

    def during(self, what: What, subject: str, first: date, last: date) -> Effect:
        """An effect from a morning to an afternoon."""
        return Effect(what, subject, (first, self.rng.uniform(6.0, 11.0)), (last, self.rng.uniform(14.0, 22.0)))

    def moment(self, number: int, hours: tuple[float, float] = (7.0, 15.0)) -> Moment:
        """A moment within some hours of a day."""
        return self.span.day(number), float(self.rng.uniform(*hours))


def units_on(home: Home, *planes: str) -> tuple[str, ...]:
    """Everything that a trouble of whole planes shows on: strings, modules, inverters, the site."""
    wires = [w for w in home.wires if w.roof in planes]
    strings = [f"string:{w.id}" for w in wires]
    modules = [f"module:{w.id}/{n:02d}" for w in wires if w.electronic for n in range(1, w.modules + 1)]
    inverters = sorted({f"inverter:{w.inverter}" for w in wires})
    return (*strings, *inverters, "site", *modules)
