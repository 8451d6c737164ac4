"""What grows or is built before a roof."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from monitor.demo.chance import Floats
from monitor.demo.effects import Effect
from monitor.demo.parts import crown
from monitor.demo.plans import Roof
from monitor.demo.shade import Obstruction, facing, hidden_share
from monitor.demo.sky import sun_position
from monitor.demo.span import STEPS_PER_HOUR
from monitor.demo.troubles.base import Happening, Scene, Trouble, units_on

FELT = 0.04  # share of the clear sky's energy after the beginning that has to be hidden


@dataclass(frozen=True, slots=True)
class _Growth:
    """An obstruction, its height's course, the number of its first day, and what it is."""

    obstruction: Obstruction
    course: tuple[tuple[float, float], ...]
    number: int
    note: str


def growing_evergreen(scene: Scene) -> Happening:
    """A hedge of conifers near the roof that nobody cuts any more."""
    return _first_that_is_felt(scene, _evergreen)


def growing_tree(scene: Scene) -> Happening:
    """A leafed tree that outgrows the sun's path; bare in winter."""
    return _first_that_is_felt(scene, _leafed)


def new_building(scene: Scene) -> Happening:
    """A house or a dormer that was not there the day before."""
    return _first_that_is_felt(scene, _built)


def _evergreen(scene: Scene) -> _Growth:
    rng, number = scene.rng, scene.some_day(150)
    top, half = rng.uniform(20.0, 34.0), rng.uniform(14.0, 30.0)
    middle = _direction(scene)
    ends = ((middle - half, 0.6 * top), (middle - 0.6 * half, 0.9 * top), (middle, top))
    outline = (*ends, (middle + 0.6 * half, 0.9 * top), (middle + half, 0.6 * top))
    was = max(top - rng.uniform(7.0, 11.0), 3.0)
    return _growing(scene, Obstruction("hedge", outline, rng.uniform(0.7, 1.0), 0.04, 0.04), was, number, "conifers")


def _leafed(scene: Scene) -> _Growth:
    rng, number = scene.rng, scene.some_day(150)
    top = rng.uniform(24.0, 40.0)
    outline = crown(_direction(scene), rng.uniform(15.0, 26.0), top)
    was = max(top - rng.uniform(7.0, 11.0), 3.0)
    return _growing(scene, Obstruction("tree", outline, rng.uniform(0.7, 1.0), 0.12, 0.5), was, number, "a tree")


def _growing(scene: Scene, full: Obstruction, was_deg: float, number: int, what: str) -> _Growth:
    """The part that stood there already belongs to the home; what grows is added to it."""
    top = max(elevation for _, elevation in full.outline)
    start = float(np.tan(np.radians(was_deg)) / np.tan(np.radians(top)))
    course = ((float(number), start), (float(scene.span.days), 1.0))
    return _Growth(full, course, number, f"{what} that grew from {was_deg:.0f} to {top:.0f} degrees")


def _built(scene: Scene) -> _Growth:
    rng, number = scene.rng, scene.some_day(100)
    middle, half, top = _direction(scene), rng.uniform(12.0, 28.0), rng.uniform(18.0, 36.0)
    outline = ((middle - half, top), (middle + half, top))
    note = f"a building of {2 * half:.0f} degrees' width"
    return _Growth(Obstruction("building", outline, rng.uniform(0.8, 1.0)), ((0.0, 1.0),), number, note)


def _direction(scene: Scene) -> float:
    """Somewhere before the roof: east, south-east, south, south-west or west."""
    return float(scene.rng.choice([85.0, 125.0, 175.0, 235.0, 275.0]) + scene.rng.uniform(-14.0, 14.0))


def _first_that_is_felt(scene: Scene, draw: Callable[[Scene], _Growth]) -> Happening:
    """Draw until the sun passes behind what is new often enough for the energy to feel it; else the best of many."""
    roof = scene.home.roofs[int(scene.rng.integers(len(scene.home.roofs)))]
    beams = _clear_beams(scene, roof)
    best, felt = draw(scene), -1.0
    for growth in (best, *(draw(scene) for _ in range(80))):
        share = _hidden_energy(roof, growth, beams)
        if share > felt:
            best, felt = growth, share
        if felt > FELT:
            break
    return _happening(scene, roof, best)


@dataclass(frozen=True, eq=False)
class _Beams:
    """The clear sky's beam on a plane, hour by hour: days since the span's beginning, where it comes from, strength."""

    days: Floats
    azimuth_deg: Floats
    elevation_deg: Floats
    strength: Floats


def _clear_beams(scene: Scene, roof: Roof) -> _Beams:
    seconds = scene.span.starts[STEPS_PER_HOUR // 2 :: STEPS_PER_HOUR]
    elevation, azimuth = sun_position(seconds, scene.home.place.latitude, scene.home.place.longitude)
    facing_it = facing(roof.tilt_deg, roof.azimuth_deg, elevation, azimuth)
    up = (elevation > 3.0) & (facing_it > 0.0)
    strength = facing_it[up] * np.exp(-0.3 / np.sin(np.radians(elevation[up])))
    return _Beams((seconds[up] - scene.span.starts[0]) / 86400.0, azimuth[up], elevation[up], strength)


def _hidden_energy(roof: Roof, growth: _Growth, beams: _Beams) -> float:
    """Share of the beam's energy that is hidden more than on the first day, from then until the end."""
    later = beams.days >= growth.number
    azimuth, elevation, strength = beams.azimuth_deg[later], beams.elevation_deg[later], beams.strength[later]
    at, sizes = np.array(growth.course).T
    before = hidden_share(growth.obstruction, azimuth, elevation, sizes[0]) if len(at) > 1 else np.zeros(len(azimuth))
    for old in roof.obstructions:
        before = np.maximum(before, hidden_share(old, azimuth, elevation))
    now = hidden_share(growth.obstruction, azimuth, elevation, np.interp(beams.days[later], at, sizes))
    lets = 0.5 * (growth.obstruction.lets_through + growth.obstruction.lets_through_bare)
    return float((strength * (1.0 - lets) * np.maximum(now - before, 0.0)).sum() / strength.sum())


def _happening(scene: Scene, roof: Roof, growth: _Growth) -> Happening:
    """What stood there before the first day would have stayed as it was."""
    first, subject, outline = scene.span.day(growth.number), f"plane:{roof.id}", np.array(growth.obstruction.outline)
    at_top = outline[outline[:, 1] >= outline[:, 1].max() - 0.01, 0]
    also = units_on(scene.home, roof.id)
    trouble = Trouble(
        scene.home.id, also[0], "shading_growth", first, None, growth.note, also=also[1:],
        azimuth_deg=float(at_top.mean() % 360.0), elevation_deg=float(outline[:, 1].max()),
    )  # fmt: skip
    rises = Effect("shade", subject, (first, 0.0), None, growth.course, rising=growth.obstruction)
    if len(growth.course) == 1:
        return Happening(trouble, (rises,))
    stood = ((0.0, growth.course[0][1]),)
    always = Effect("shade", subject, (scene.span.first_day, 0.0), None, stood, rising=growth.obstruction)
    return Happening(trouble, (replace(always, last=(first, 0.0)), rises), otherwise=(always,))
