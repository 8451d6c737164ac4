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


def lost_kwh(run: Run, flows: Flows, happening: Happening) -> Floats:
    """What a trouble costs on each day of the span: the same run without it, less the run with it."""
    mine = tuple(e for e in happening.effects if e.what in FLOWS)
    if happening.trouble is None or not mine:
        return np.zeros(run.span.days)
    number = (happening.trouble.first_day - run.span.first_day).days
    return _more_without(run, flows, np.arange(run.span.days) >= number, happening.otherwise)


def _more_without(run: Run, flows: Flows, days: Flags, effects: Sequence[Effect]) -> Floats:
    weather = on_days(run.weather, run.span, days)
    other = flows_of(replace(run, weather=weather, effects=effects))
    return np.where(days, _all_kwh(run.span, other) - _all_kwh(run.span, flows), 0.0)


def _all_kwh(span: Span, flows: Flows) -> Floats:
    return np.asarray(np.sum([daily_kwh(span, watts) for watts in flows.ac_w.values()], axis=0))


def told(run: Run, trouble: Trouble, lost: Floats) -> Trouble:
    """A trouble with what it costs by day."""
    return replace(trouble, lost_by_day=_by_day(run.span, lost, 0.0))


def notes_on(run: Run, flows: Flows, effects: Sequence[Effect]) -> list[Trouble]:
    """What is normal at a home and worth knowing."""
    cause = "clipping" if run.home.export_limit_w is None else "export_limiting"
    notes = [
        _note(run, f"inverter:{key}", cause, daily_kwh(run.span, run.full(watts)))
        for key, watts in flows.withheld_w.items()
    ]
    notes.append(_note(run, "site", "snow", _snow_kwh(run, flows, effects)))
    return [one for one in notes if one.lost_by_day]


def _snow_kwh(run: Run, flows: Flows, effects: Sequence[Effect]) -> Floats:
    span, days = run.span, np.zeros(run.span.days, bool)
    for roof in run.home.roofs:
        lies = snow_on_roof(run.weather, roof.tilt_deg, run.home.snow_patience)
        days[span.day_index[run.weather.sun.lit][lies[run.weather.sun.lit]]] = True
    if not days.any():
        return np.zeros(span.days)
    bare = replace(run, weather=replace(run.weather, snowfall=np.zeros(len(span), bool)), effects=effects)
    return _more_without(bare, flows, days, effects)


def _note(run: Run, subject: str, cause: str, lost: Floats) -> Trouble:
    days = _by_day(run.span, lost, LEAST_KWH)
    first, last = (days[0][0], days[-1][0]) if days else (date.min, date.min)
    return Trouble(run.home.id, subject, cause, first, last, f"{len(days)} days", lost_by_day=days)


def _by_day(span: Span, kwh: Floats, least: float) -> tuple[tuple[date, float], ...]:
    return tuple((span.day(n), float(kwh[n])) for n in np.flatnonzero(kwh > least).tolist())
