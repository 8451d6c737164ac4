"""Strings that fail or weaken."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from monitor.demo.effects import Effect, What
from monitor.demo.plans import Wire
from monitor.demo.troubles.base import Happening, Scene, Trouble


def failed_string(scene: Scene) -> Happening:
    """One string of several opens, two to four months before the end, and nobody repairs it."""
    home, span, rng = scene.home, scene.span, scene.rng
    wire = home.wires[int(rng.integers(len(home.wires)))]
    before_end = int(rng.integers(min(62, int(span.days * 0.35)), min(120, int(span.days * 0.55))))
    first = span.last_day - timedelta(days=before_end)
    volts = bool(rng.random() < 0.6)
    note = "a connector burnt open; the string's voltage " + ("rose to open circuit" if volts else "reads zero")
    return Happening(
        Trouble(home.id, f"string:{wire.id}", "failed_string", first, None, note),
        (Effect("open" if volts else "open_no_volts", f"string:{wire.id}", (first, rng.uniform(7.0, 15.0)), None),),
    )


def opens_when_warm(scene: Scene) -> Happening:
    """A joint that loses contact whenever the string is warm, so around noon of bright days."""
    wire, number = _any_wire(scene), scene.some_day(90, (2, 5))
    above_c = float(scene.rng.uniform(36.0, 42.0))
    effect = Effect("open_warm", f"string:{wire.id}", (scene.span.day(number), 0.0), None, ((0.0, above_c),))
    note = f"a joint that opens while the cells are warmer than {above_c:.0f} degC"
    return _happening(scene, wire, "failed_string", number, note, effect)


def opens_some_days(scene: Scene) -> Happening:
    """A joint that is open on some days and closed on others, more often as time goes on."""
    wire, number, span = _any_wire(scene), scene.some_day(80, (2, 5)), scene.span
    later = np.arange(number + 1, span.days)
    chance = 0.25 + 0.35 * (later - number) / max(span.days - number, 1)
    days = frozenset((number, *later[scene.rng.random(len(later)) < chance].tolist()))
    hours = (0.0, 24.0) if scene.rng.random() < 0.5 else (float(scene.rng.uniform(9.0, 11.0)), 24.0)
    effect = Effect("open", f"string:{wire.id}", (span.day(number), 0.0), None, hours=hours, days=days)
    note = f"a joint that is open on {len(days)} of {span.days - number} days"
    return _happening(scene, wire, "failed_string", number, note, effect)


def lost_substring(scene: Scene) -> Happening:
    """A bypass diode that conducts for good: a third of one module is gone, the current stays."""
    return _bypassed(scene, 1.0 / 3.0, "a bypass diode conducts for good; a third of one module is lost")


def lost_module(scene: Scene) -> Happening:
    """The string goes on with one module fewer than the site file says."""
    return _bypassed(scene, 1.0, "one module is bridged; the string goes on with one module fewer")


def bad_joint(scene: Scene) -> Happening:
    """A joint whose resistance grows over weeks: what it takes grows with the square of the current."""
    wire, number = _any_wire(scene), scene.some_day(120, (1, 4))
    label, part = wire.module.nameplate, float(scene.rng.uniform(0.07, 0.12))
    ohm = part * wire.modules * label.vmp_v / label.imp_a
    course = ((float(number), 0.0), (number + float(scene.rng.uniform(10.0, 60.0)), ohm))
    effect = Effect("series_ohm", f"string:{wire.id}", (scene.span.day(number), 0.0), None, course)
    note = f"a joint of {ohm:.1f} ohm in the end, {100.0 * part:.0f} % of the voltage at full current"
    return _happening(scene, wire, "underperforming_string", number, note, effect)


def _bypassed(scene: Scene, modules: float, note: str) -> Happening:
    wire, number = _any_wire(scene), scene.some_day(100, (1, 5))
    what: What = "bypassed"
    effect = Effect(what, f"string:{wire.id}", scene.moment(number), None, ((0.0, modules),))
    return _happening(scene, wire, "underperforming_string", number, note, effect, modules / wire.modules)


def _any_wire(scene: Scene) -> Wire:
    return scene.home.wires[int(scene.rng.integers(len(scene.home.wires)))]


def _happening(
    scene: Scene, wire: Wire, cause: str, number: int, note: str, effect: Effect, loss_fraction: float | None = None
) -> Happening:
    trouble = Trouble(
        scene.home.id, f"string:{wire.id}", cause, scene.span.day(number), None, note, loss_fraction=loss_fraction
    )
    if len([w for w in scene.home.wires if w.inverter == wire.inverter]) == 1:  # then its inverter says the same
        trouble = replace(trouble, also=(f"inverter:{wire.inverter}",))
    return Happening(trouble, (effect,))
