"""What goes wrong in a demo fleet, and when."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np

from monitor.demo.chance import Flags
from monitor.demo.plans import Home
from monitor.demo.span import STEPS_PER_DAY, STEPS_PER_HOUR, Span

LEARNING = 0.35  # troubles stay out of the first part of the span, in which a roof shows what it can do


@dataclass(frozen=True, slots=True)
class Trouble:
    """What truly is wrong with a home; the last day is None when it never ended."""

    site: str
    subject: str
    cause: str
    first_day: date
    last_day: date | None
    note: str


@dataclass(frozen=True, slots=True)
class Effect:
    """What a trouble does to a subject: a string opens, an inverter is off, or a source says nothing."""

    what: Literal["open", "open_no_volts", "off", "silent"]
    subject: str
    first: tuple[date, float]  # day and hour
    last: tuple[date, float] | None


@dataclass(frozen=True, slots=True)
class Happening:
    """A trouble with its effects."""

    trouble: Trouble
    effects: tuple[Effect, ...]


def affected(span: Span, effects: Iterable[Effect], what: str, subject: str) -> Flags:
    """Steps on which an effect holds for a subject."""
    steps = np.zeros(len(span), bool)
    for one in effects:
        if (one.what, one.subject) == (what, subject):
            last_day, last_hour = one.last or (None, 24.0)
            steps |= span.between(*one.first, last_day, last_hour)
    return steps


def failed_string(home: Home, span: Span, rng: np.random.Generator) -> Happening:
    """One string of several opens, two to four months before the end, and nobody repairs it."""
    wire = home.wires[int(rng.integers(len(home.wires)))]
    before_end = int(rng.integers(min(62, int(span.days * 0.35)), min(120, int(span.days * 0.55))))
    first = span.last_day - timedelta(days=before_end)
    volts = bool(rng.random() < 0.6)
    note = "a connector burnt open; the string's voltage " + ("rose to open circuit" if volts else "reads zero")
    return Happening(
        Trouble(home.id, f"string:{wire.id}", "failed_string", first, None, note),
        (Effect("open" if volts else "open_no_volts", f"string:{wire.id}", (first, rng.uniform(7.0, 15.0)), None),),
    )


def inverter_off(home: Home, span: Span, rng: np.random.Generator) -> Happening:
    """An inverter is off for some days; its rows go on and say zero."""
    inverter = f"inverter:{home.converters[int(rng.integers(len(home.converters)))].id}"
    first, last = _some_days(span, int(rng.integers(4, 12)), rng)
    note = "off until somebody reset it; its rows went on at zero"
    return Happening(
        Trouble(home.id, inverter, "inverter_outage", first, last, note), (_during("off", inverter, first, last, rng),)
    )


def inverter_gone(home: Home, span: Span, rng: np.random.Generator) -> Happening:
    """An inverter is off and says nothing, while its generation meter goes on and counts nothing."""
    converter = home.converters[int(rng.integers(len(home.converters)))]
    inverter = f"inverter:{converter.id}"
    first, last = _some_days(span, int(rng.integers(5, 14)), rng)
    off = _during("off", inverter, first, last, rng)
    silent = Effect("silent", f"source:{converter.id}-log", off.first, off.last)
    note = "off and without rows of its own; the generation meter counted nothing"
    return Happening(Trouble(home.id, inverter, "inverter_outage", first, last, note), (off, silent))


def missing_data(home: Home, span: Span, rng: np.random.Generator) -> Happening:
    """The inverter's log has a gap of some days; its counter has gone on meanwhile."""
    source = f"source:{home.exports[0].id}"
    first, last = _some_days(span, int(rng.integers(5, 12)), rng)
    note = "nothing recorded; the energy counter had gone on when the rows came back"
    return Happening(
        Trouble(home.id, source, "missing_data", first, last, note), (_during("silent", source, first, last, rng),)
    )


TROUBLES: dict[str, Callable[[Home, Span, np.random.Generator], Happening]] = {
    one.__name__: one for one in (failed_string, inverter_off, inverter_gone, missing_data)
}


def router_gaps(span: Span, rng: np.random.Generator) -> Flags:
    """Steps that a home's router lost: long spells of order, short ones without a line (Gilbert and Elliott)."""
    lost = np.zeros(len(span), bool)
    at = int(rng.exponential(10.0 * STEPS_PER_DAY))
    while at < len(span):
        length = int(np.clip(rng.lognormal(0.5, 1.0), 0.2, 10.0) * STEPS_PER_HOUR)
        lost[at : at + length] = True
        at += length + 1 + int(rng.exponential(10.0 * STEPS_PER_DAY))
    return lost


def _some_days(span: Span, length: int, rng: np.random.Generator) -> tuple[date, date]:
    """First and last day of a stretch after the learning time, if possible between March and October."""
    length = min(length, max(span.days // 6, 1))
    starts = np.arange(int(span.days * LEARNING), max(int(span.days * 0.95) - length, int(span.days * LEARNING) + 1))
    bright = [s for s in starts.tolist() if 3 <= span.day(s).month <= 10]
    start = int(rng.choice(bright or starts.tolist()))
    return span.day(start), span.day(start + length - 1)


def _during(what: Literal["off", "silent"], subject: str, first: date, last: date, rng: np.random.Generator) -> Effect:
    return Effect(what, subject, (first, rng.uniform(6.0, 11.0)), (last, rng.uniform(14.0, 22.0)))
