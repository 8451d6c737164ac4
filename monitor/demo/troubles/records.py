"""Numbers that are wrong although all is well on the roof."""

from __future__ import annotations

from datetime import date
from typing import Literal

import numpy as np

from monitor.demo.effects import Effect
from monitor.demo.plans import Column, Export
from monitor.demo.span import STEPS_PER_DAY, STEPS_PER_HOUR, Span
from monitor.demo.troubles.base import Happening, Scene, Trouble


def unit_changed(scene: Scene) -> Happening:
    """After an update a power column is written in kW instead of W, or the other way round."""
    export, column = _column(scene, "ac_power")
    number = scene.some_day(60, (2, 7))
    factor = 1000.0 if column.unit == "kW" else 0.001
    effect = _on(column, "factor", scene, number, None, factor)
    wrong = "W instead of kW" if factor > 1.0 else "kW instead of W"
    return _fault(scene, export, column, number, None, f"power written in {wrong}", (effect,))


def stuck_value(scene: Scene) -> Happening:
    """Two to six days on which a power column repeats one number of a bright noon."""
    export, column = _column(scene, "ac_power", "dc_current", "dc_power")
    number = scene.some_day(60, (3, 8))
    last = number + int(scene.rng.integers(2, 7))
    first = (scene.span.day(number), float(scene.rng.uniform(10.0, 13.0)))
    effect = Effect("stuck", column.of, first, (scene.span.day(last), 23.0), quantity=column.quantity)
    return _fault(scene, export, column, number, scene.span.day(last), "one number repeated for days", (effect,))


def register_restarts(scene: Scene) -> Happening:
    """An energy register that begins at zero again, several times within weeks."""
    export, column = _column(scene, "ac_energy")
    number, times = scene.some_day(90, (2, 6)), int(scene.rng.integers(4, 9))
    later = sorted(int(d) for d in scene.rng.choice(range(1, 40), times - 1, replace=False))
    numbers = [d for d in (number, *(number + d for d in later)) if d < scene.span.days - 1]
    effects = tuple(
        Effect(
            "restart", column.of, (scene.span.day(d), float(scene.rng.uniform(8.0, 17.0))), None, quantity="ac_energy"
        )
        for d in numbers
    )
    last = scene.span.day(numbers[-1])
    return _fault(scene, export, column, number, last, f"the register began at zero {len(numbers)} times", effects)


def dead_channel(scene: Scene) -> Happening:
    """The sensor of one string reads zero from a day on, while the string goes on."""
    export, column = _column(scene, "dc_current", "dc_power")
    number = scene.some_day(80, (2, 6))
    effect = _on(column, "value", scene, number, None, 0.0)
    return _fault(scene, export, column, number, None, f"{column.quantity} reads zero; its string works", (effect,))


def missed_clock_change(scene: Scene) -> Happening:
    """A logger of local time that misses a clock change, or one of UTC that follows it; set right weeks later."""
    span, export, changes = scene.span, scene.home.exports[0], _changes(scene.span)
    keeps_utc = export.dialect.zone == "UTC"
    fitting = [(step, -hours if keeps_utc else hours) for step, hours in changes if hours > 0.0 or not keeps_utc]
    if not fitting:  # no change in so short a span: set wrong by hand
        fitting = [(scene.some_day(40) * STEPS_PER_DAY + 2 * STEPS_PER_HOUR, 1.0)]
    step, behind_h = fitting[int(scene.rng.integers(len(fitting)))]
    number = int(span.day_index[step])
    last = min(number + int(scene.rng.integers(30, 100)), span.days - 1)
    course = (((step - 1) / STEPS_PER_DAY, 0.0), (step / STEPS_PER_DAY, behind_h))
    effect = Effect("behind", f"source:{export.id}", (span.day(number), 0.0), (span.day(last), 2.0), course)
    did = "followed" if keeps_utc else "missed"
    note = f"the logger {did} the clock change and is an hour {'behind' if behind_h > 0 else 'ahead'}"
    return _clock(scene, export, number, last, note, effect)


def drifting_clock(scene: Scene) -> Happening:
    """A logger whose clock runs away by half a minute to two a day, until somebody sets it or the end."""
    export = scene.home.exports[0]
    number = scene.some_day(100, (1, 5))
    rate = float(scene.rng.uniform(0.5, 2.0) * scene.rng.choice([-1.0, 1.0]))
    last = min(number + int(scene.rng.integers(60, 150)), scene.span.days - 1)
    course = ((float(number), 0.0), (float(last + 1), rate * (last + 1 - number)))
    effect = Effect("ahead", f"source:{export.id}", (scene.span.day(number), 0.0), (scene.span.day(last), 24.0), course)
    note = f"the logger's clock gains {rate:+.1f} minutes a day, {course[1][1]:+.0f} in the end"
    return _clock(scene, export, number, last, note, effect)


def _column(scene: Scene, *quantities: str) -> tuple[Export, Column]:
    """A column of the home's first table, of the first of these quantities that it has."""
    export = scene.home.exports[0]
    for quantity in quantities:
        fitting = [c for c in export.columns if c.quantity == quantity]
        if fitting:
            return export, fitting[int(scene.rng.integers(len(fitting)))]
    raise LookupError(f"{scene.home.id}: no column of {quantities}")


def _changes(span: Span) -> list[tuple[int, float]]:
    """Steps at which the clocks changed, with the hours by which a clock that missed it is behind."""
    offset_h = (span.wall - span.starts) / 3600.0
    steps = (np.flatnonzero(np.diff(offset_h)) + 1).tolist()
    inside = [s for s in steps if 30 * STEPS_PER_DAY <= s < len(span) - 20 * STEPS_PER_DAY]
    return [(s, float(offset_h[s] - offset_h[s - 1])) for s in inside]


def _on(
    column: Column, what: Literal["factor", "value"], scene: Scene, number: int, last: date | None, size: float
) -> Effect:
    until = None if last is None else (last, 24.0)
    return Effect(what, column.of, scene.moment(number, (8.0, 16.0)), until, ((0.0, size),), quantity=column.quantity)


def _fault(
    scene: Scene, export: Export, column: Column, number: int, last: date | None, note: str,
    effects: tuple[Effect, ...],
) -> Happening:  # fmt: skip
    also = (f"source:{export.id}",)
    told = f"{column.name}: {note}"
    return Happening(
        Trouble(scene.home.id, column.of, "data_fault", scene.span.day(number), last, told, also=also), effects
    )


def _clock(scene: Scene, export: Export, number: int, last: int, note: str, effect: Effect) -> Happening:
    also = tuple(f"inverter:{c.id}" for c in scene.home.converters)
    until = scene.span.day(last) if last < scene.span.days - 1 else None
    first = scene.span.day(number)
    trouble = Trouble(scene.home.id, f"source:{export.id}", "clock_error", first, until, note, also=(*also, "site"))
    return Happening(trouble, (effect,))
