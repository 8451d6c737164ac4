"""Meters that disagree, and sensors that sit in the wrong place."""

from __future__ import annotations

from typing import Literal

from monitor.demo.effects import Effect
from monitor.demo.troubles.base import Happening, Scene, Trouble


def meter_off(scene: Scene) -> Happening:
    """From a day on a generation meter, or the inverter's own counter, reads some per cent too much or too little."""
    meters = [g for g in scene.home.gauges if g.role == "generation"]
    meter = meters[int(scene.rng.integers(len(meters)))]
    own = bool(scene.rng.random() < 0.4)
    subjects = (f"meter:{meter.id}", f"inverter:{meter.inverter}")
    size = float(scene.rng.uniform(0.03, 0.08) * scene.rng.choice([-1.0, 1.0]))
    number = scene.some_day(100, (1, 5))
    first, off = scene.span.day(number), subjects[1 if own else 0]
    note = f"{off} reads {100.0 * size:+.1f} % from one day to the next"
    return Happening(
        Trouble(scene.home.id, subjects[0], "meter_disagreement", first, None, note, also=(subjects[1], "site")),
        (Effect("gain", off, (first, 10.0), None, ((0.0, size),)),),
    )


def reversed_sensor(scene: Scene) -> Happening:
    """The grid sensor sits the wrong way round, since handover or since work on the board: import reads as export."""
    return _grid(scene, "reversed", "the grid sensor sits the wrong way round")


def stray_sensor(scene: Scene) -> Happening:
    """The grid sensor sees the house, but not what the roof feeds in, since handover or since work on the board."""
    return _grid(scene, "stray", "the grid sensor sits on a wire that does not carry what the roof feeds in")


def new_load(scene: Scene) -> Happening:
    """No trouble: the household takes much more from a day on, by night and by day."""
    number = scene.some_day(60)
    size = float(scene.rng.uniform(400.0, 900.0))
    hours = (float(scene.rng.integers(0, 12)), 24.0)
    return Happening(
        None,
        (Effect("load", "site", (scene.span.day(number), 0.0), None, ((0.0, size),), hours=hours),),
        f"the household takes {size:.0f} W more from one day on",
    )


def _grid(scene: Scene, what: Literal["reversed", "stray"], note: str) -> Happening:
    meter = next(f"meter:{g.id}" for g in scene.home.gauges if g.role == "grid")
    since_handover = bool(scene.rng.random() < 0.3)
    first = scene.span.day(0 if since_handover else scene.some_day(60, (2, 7)))
    return Happening(
        Trouble(scene.home.id, meter, "energy_imbalance", first, None, note, also=("site",)),
        (Effect(what, meter, (first, 0.0 if since_handover else 11.0), None),),
    )
