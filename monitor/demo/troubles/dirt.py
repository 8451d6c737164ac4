"""Dirt on the glass."""

from __future__ import annotations

from monitor.demo.effects import Effect
from monitor.demo.troubles.base import Happening, Scene, Trouble, units_on

HEAVY_RAIN_MM = 6.0


def soiling(scene: Scene) -> Happening:
    """Dust that builds up while it is dry; heavy rain takes part of it, a cleaning all."""
    home, span, rng = scene.home, scene.span, scene.rng
    planes = sorted({w.roof for w in home.wires})
    number = scene.some_day(110, (2, 6))
    cleaned = min(number + int(rng.integers(70, 130)), span.days - 10)
    a_day, most, washes = rng.uniform(0.0012, 0.0030), rng.uniform(0.07, 0.14), rng.uniform(0.10, 0.35)
    level, levels = 0.0, []
    for day in range(number, cleaned):
        levels.append((float(day), level))
        level = min(level + a_day, most) * (1.0 - washes * bool(scene.region.rain_mm[day] > HEAVY_RAIN_MM))
    first, last = span.day(number), span.day(cleaned - 1)
    also = units_on(home, *planes)
    note = f"dust, {100.0 * max(s for _, s in levels):.0f} % at the most, washed off in part by rain and then by hand"
    effects = tuple(Effect("dirt", f"plane:{plane}", (first, 0.0), (last, 24.0), tuple(levels)) for plane in planes)
    trouble = Trouble(home.id, "site", "soiling", first, last, note, also=tuple(s for s in also if s != "site"))
    return Happening(trouble, effects)


def washed_after_handover(scene: Scene) -> Happening:
    """No trouble: the builders' dust of the first weeks goes with a cleaning, and the roof gets better than new."""
    days, share = int(scene.rng.integers(20, 50)), float(scene.rng.uniform(0.03, 0.06))
    until = (scene.span.day(min(days, scene.span.days - 1)), 12.0)
    planes = sorted({w.roof for w in scene.home.wires})
    begin = (scene.span.first_day, 0.0)
    effects = tuple(Effect("dirt", f"plane:{p}", begin, until, ((0.0, share),)) for p in planes)
    return Happening(None, effects, "builders' dust that was cleaned off some weeks after the beginning")
