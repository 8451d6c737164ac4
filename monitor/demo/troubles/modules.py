"""Single modules that weaken, where modules report for themselves."""

from __future__ import annotations

from typing import Literal

from monitor.demo.effects import Effect
from monitor.demo.troubles.base import Happening, Scene, Trouble


def cracked_module(scene: Scene) -> Happening:
    """From one day to the next a module has an eighth or so less of its light's worth."""
    number, less = scene.some_day(80, (2, 6)), float(scene.rng.uniform(0.08, 0.16))
    return _weak(scene, number, less, "module_dim", ((0.0, less),), f"broken glass: {100 * less:.0f} % less at once")


def fading_module(scene: Scene) -> Happening:
    """A module that fades over months."""
    number, less = scene.some_day(150, (1, 4)), float(scene.rng.uniform(0.10, 0.20))
    course = ((float(number), 0.0), (number + float(scene.rng.uniform(60.0, 150.0)), less))
    return _weak(scene, number, less, "module_dim", course, f"fading, {100 * less:.0f} % less in the end")


def module_without_a_part(scene: Scene) -> Happening:
    """A module of which one of three substrings is gone."""
    number, part = scene.some_day(80, (2, 6)), 1.0 / 3.0
    return _weak(
        scene, number, part, "module_part", ((0.0, part),), "a bypass diode conducts for good: a third is gone"
    )


def _weak(
    scene: Scene, number: int, less: float, what: Literal["module_dim", "module_part"],
    course: tuple[tuple[float, float], ...], note: str,
) -> Happening:  # fmt: skip
    wires = [w for w in scene.home.wires if w.electronic]
    wire = wires[int(scene.rng.integers(len(wires)))]
    module = f"module:{wire.id}/{int(scene.rng.integers(1, wire.modules + 1)):02d}"
    first = scene.span.day(number)
    return Happening(
        Trouble(scene.home.id, module, "underperforming_module", first, None, note, loss_fraction=less),
        (Effect(what, module, (first, 0.0), None, course),),
    )
