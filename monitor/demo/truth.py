"""What truly is wrong with a demo fleet, and what it costs: the same home again without the trouble."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from monitor.demo.chance import Flags, Floats
from monitor.demo.effects import FLOWS, Effect
from monitor.demo.production import Flows, Run, flows_of
from monitor.demo.span import STEP_S, Span
from monitor.demo.troubles import Happening, Trouble
from monitor.demo.weather import on_days, snow_on_roof

LEAST_KWH = 0.1  # what is less on a day is no note


@dataclass(frozen=True, slots=True)
class FleetTruth:
    """What is truly wrong in a demo fleet, and why some of its healthy homes look odd.

    `notes` are what is normal and worth knowing: days of clipping, of an export limit, of snow. `healthy_kwh` is by
    home what its inverters would have fed in on each day of the span without its trouble.
    """

    troubles: tuple[Trouble, ...]
    awkward: dict[str, str]
    notes: tuple[Trouble, ...] = ()
    healthy_kwh: dict[str, tuple[float, ...]] = field(default_factory=dict)


def daily_kwh(span: Span, watts: Floats) -> Floats:
    """Energy of each day of the span; what is taken in the dark does not count."""
    joules = STEP_S * np.bincount(span.day_index, np.maximum(watts, 0.0), minlength=span.days)
    return np.asarray(joules / 3.6e6)


def truth_of(run: Run, flows: Flows, happenings: Sequence[Happening]) -> FleetTruth:
    """What is wrong with one home, what each trouble costs, and what is odd about it."""
    home, healthy = run.home, [e for one in happenings if one.trouble is None for e in one.effects]
    otherwise = [*healthy, *(e for one in happenings for e in one.otherwise)]
    ill = [one for one in happenings if one.trouble is not None]
    lost = [lost_kwh(run, flows, one) for one in ill]
    # Two troubles at a time do not add up: what a sound home would have made takes a run without either.
    every = np.ones(run.span.days, bool)
    all_lost = sum(lost) if len(ill) < 2 else _more_without(run, flows, every, otherwise)
    odd = "; ".join(text for text in (home.awkward, *(one.note for one in happenings)) if text)
    troubles = (replace(one.trouble, lost_by_day=_by_day(run.span, kwh, 0.0))
                for one, kwh in zip(ill, lost, strict=True) if one.trouble is not None)  # fmt: skip
    return FleetTruth(
        troubles=tuple(troubles),
        awkward={home.id: odd} if odd else {},
        notes=tuple(notes_on(run, flows)),
        healthy_kwh={home.id: tuple((_all_kwh(run.span, flows) + all_lost).tolist())},
    )


def lost_kwh(run: Run, flows: Flows, happening: Happening) -> Floats:
    """What a trouble costs on each day of the span: the same run without it, less the run with it."""
    if happening.trouble is None or not any(e.what in FLOWS for e in happening.effects):
        return np.zeros(run.span.days)
    others = [e for e in run.effects if e not in happening.effects]
    number = (happening.trouble.first_day - run.span.first_day).days
    days = np.arange(run.span.days) >= number
    return _more_without(run, flows, days, [*others, *happening.otherwise])


def _more_without(run: Run, flows: Flows, days: Flags, effects: Sequence[Effect]) -> Floats:
    weather = on_days(run.weather, run.span, days)
    other = flows_of(replace(run, weather=weather, effects=effects))
    return np.where(days, _all_kwh(run.span, other) - _all_kwh(run.span, flows), 0.0)


def _all_kwh(span: Span, flows: Flows) -> Floats:
    return np.asarray(np.sum([daily_kwh(span, watts) for watts in flows.ac_w.values()], axis=0))


def notes_on(run: Run, flows: Flows) -> list[Trouble]:
    """What is normal at a home and worth knowing."""
    cause = "clipping" if run.home.export_limit_w is None else "export_limiting"
    notes = [
        _note(run, f"inverter:{key}", cause, daily_kwh(run.span, run.full(watts)))
        for key, watts in flows.withheld_w.items()
    ]
    notes.append(_note(run, "site", "snow", _snow_kwh(run, flows)))
    return [one for one in notes if one.lost_by_day]


def _snow_kwh(run: Run, flows: Flows) -> Floats:
    span, days = run.span, np.zeros(run.span.days, bool)
    for roof in run.home.roofs:
        lies = snow_on_roof(run.weather, roof.tilt_deg, run.home.snow_patience)
        days[span.day_index[run.weather.sun.lit][lies[run.weather.sun.lit]]] = True
    if not days.any():
        return np.zeros(span.days)
    bare = replace(run, weather=replace(run.weather, snowfall=np.zeros(len(span), bool)))
    return _more_without(bare, flows, days, run.effects)


def _note(run: Run, subject: str, cause: str, lost: Floats) -> Trouble:
    days = _by_day(run.span, lost, LEAST_KWH)
    first, last = (days[0][0], days[-1][0]) if days else (date.min, date.min)
    return Trouble(run.home.id, subject, cause, first, last, f"{len(days)} days", lost_by_day=days)


def _by_day(span: Span, kwh: Floats, least: float) -> tuple[tuple[date, float], ...]:
    return tuple((span.day(n), float(kwh[n])) for n in np.flatnonzero(kwh > least).tolist())
