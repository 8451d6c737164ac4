"""What troubles do to a home: each effect holds for one subject, from a moment on, in a size that may change."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np

from monitor.demo.chance import Flags, Floats
from monitor.demo.shade import Obstruction
from monitor.demo.span import STEPS_PER_DAY, Span

Flow = Literal[
    "open",  # string: nothing flows, its voltage is that of an open circuit
    "open_no_volts",  # string: nothing flows and nothing is measured
    "open_warm",  # string: opens while its cells are warmer than the size [degC]
    "bypassed",  # string: so many of its modules that the current runs past; a third is one substring
    "series_ohm",  # string: resistance of a joint [ohm]
    "module_dim",  # module: share of its light that is lost
    "module_part",  # module: share of its substrings that are lost
    "dirt",  # plane: share of the light that dirt keeps off
    "shade",  # plane: height of `rising` as a share of its full height
    "off",  # inverter: off
    "street",  # inverter: its voltage in full sun and at full power [V], if that is more than before
]
Record = Literal[
    "silent",  # source: says nothing
    "ahead",  # source: its clock is ahead by so many minutes
    "behind",  # source: its clock shows so many hours less than it should
    "factor",  # subject and quantity: the column is multiplied from then on
    "stuck",  # subject and quantity: stays at the value it had
    "value",  # subject and quantity: reads the size, whatever happens
    "restart",  # subject and quantity: the register starts at zero at the first moment
    "gain",  # meter or inverter: its energy measurement reads too much by this share
    "reversed",  # meter: the sensor sits the wrong way round
    "stray",  # meter: the sensor sits where it sees the house alone
    "load",  # site: the household takes so many watts more
]
What = Flow | Record
Moment = tuple[date, float]  # a local day, and an hour of it
FLOWS: tuple[str, ...] = Flow.__args__  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class Effect:
    """An effect on a subject, until the end if `last` is None.

    `course` gives its size as (days since the span's first midnight, size) with straight lines between; without it
    the size is 1. `hours` are local hours of the day outside which it rests, `days` the only days on which it holds.
    """

    what: What
    subject: str
    first: Moment
    last: Moment | None
    course: tuple[tuple[float, float], ...] = ()
    hours: tuple[float, float] | None = None
    days: frozenset[int] | None = None
    quantity: str = ""
    rising: Obstruction | None = None

    def holds(self, span: Span) -> Flags:
        """Steps on which it holds."""
        steps = span.between(*self.first, *(self.last or (None,)))
        if self.hours is not None:
            hour = span.wall % 86400 / 3600.0
            steps = steps & (hour >= self.hours[0]) & (hour < self.hours[1])
        if self.days is not None:
            steps = steps & np.isin(span.day_index, np.fromiter(self.days, np.int64, len(self.days)))
        return steps

    def sizes(self, span: Span) -> Floats:
        """Its size on all steps, 0 where it does not hold."""
        if not self.course:
            return self.holds(span).astype(float)
        at, size = np.array(self.course).T
        return np.where(self.holds(span), np.interp(np.arange(len(span)) / STEPS_PER_DAY, at, size), 0.0)


def chosen(effects: Iterable[Effect], what: What, subject: str, quantity: str = "") -> list[Effect]:
    """The effects of a kind on a subject."""
    return [e for e in effects if (e.what, e.subject, e.quantity) == (what, subject, quantity)]


def affected(span: Span, effects: Iterable[Effect], what: What, subject: str) -> Flags:
    """Steps on which an effect holds for a subject."""
    steps = np.zeros(len(span), bool)
    for one in chosen(effects, what, subject):
        steps |= one.holds(span)
    return steps


def size_of(span: Span, effects: Iterable[Effect], what: What, subject: str, quantity: str = "") -> Floats:
    """Sizes of all effects of a kind on a subject, added up."""
    total = np.zeros(len(span))
    for one in chosen(effects, what, subject, quantity):
        total += one.sizes(span)
    return total
