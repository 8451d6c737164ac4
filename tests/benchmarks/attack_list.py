"""What is done to homes in `tests.benchmarks.attacks`: troubles at odd times, wrong papers, wrong readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from monitor.demo.casts import Kind
from monitor.demo.effects import Effect, What
from monitor.demo.kinds import alone, east_west, twin, two_inverters, watched, weathered
from monitor.demo.plans import Home, Wire
from monitor.demo.production import Run, flows_of
from monitor.demo.said import Said, readings_of
from monitor.demo.span import Span
from monitor.demo.troubles import TROUBLES, Happening, Scene, Trouble

# Days of the span on which things happen: after the learning weeks, later, and within them.
LATER, LATEST, EARLY = 95, 130, 18
MONTH = 30.4
Retold = Callable[[Run, Said], Said]


def as_said(_run: Run, said: Said) -> Said:
    """Readings that nobody has touched."""
    return said


@dataclass(frozen=True)
class Disturbed:
    """A home as it truly is, as its site file has it, what happens to it, and what its devices make of that."""

    built: Home
    stated: Home
    happenings: tuple[Happening, ...] = ()
    retold: Retold = as_said


@dataclass(frozen=True)
class Attack:
    """An attack on one home: what may be said (cause, subject; `*` for any), and what a doubt of it holds."""

    kind: Kind
    disturb: Callable[[Scene], Disturbed]
    right: tuple[tuple[str, str], ...] = ()
    doubt: str = ""
    months: int = 7


def plain(home: Home) -> Disturbed:
    """A home that nobody attacks."""
    return Disturbed(home, home)


def hit(scene: Scene, *happenings: Happening) -> Disturbed:
    """A home to which troubles come."""
    return Disturbed(scene.home, scene.home, happenings)


def _on(span: Span, number: int) -> date:
    return span.first_day + timedelta(days=number)


def _string(
    scene: Scene, string: str, what: What, size: float, first: int, last: int | None = None, *, course: Any = None
) -> Happening:
    """A string's trouble from one day until another."""
    span, cause = scene.span, "failed_string" if what.startswith("open") else "underperforming_string"
    end = None if last is None else _on(span, last)
    effect = Effect(
        what, f"string:{string}", (_on(span, first), 0.0), None if end is None else (end, 0.0),
        course or ((0.0, size),),
    )  # fmt: skip
    trouble = Trouble(scene.home.id, f"string:{string}", cause, _on(span, first), end, f"{what} {size:g}")
    return Happening(trouble, (effect,))


def _whole(scene: Scene, what: What, subject: str, cause: str, first: int, last: int, size: float) -> Happening:
    """Something that comes over a plane or an inverter, and goes."""
    span = scene.span
    effect = Effect(what, subject, (_on(span, first), 0.0), (_on(span, last), 0.0), ((first, 0.0), (last, size)))
    return Happening(Trouble(scene.home.id, subject, cause, _on(span, first), _on(span, last), what), (effect,))


def drifting(*channels: tuple[str, str], per_month: float, first: int = 0) -> Callable[[Scene], Disturbed]:
    """Channels whose gain drifts from a day on."""

    def disturb(scene: Scene) -> Disturbed:
        def retold(run: Run, said: Said) -> Said:
            gain = (1.0 + per_month) ** (np.maximum(run.span.day_index - first, 0) / MONTH)
            return {key: values * gain if key in channels else values for key, values in said.items()}

        return replace(plain(scene.home), retold=retold)

    return disturb


def rescaled(*channels: tuple[str, str], gain: float) -> Callable[[Scene], Disturbed]:
    """Channels that read another part of the truth from a day on."""

    def disturb(scene: Scene) -> Disturbed:
        def retold(run: Run, said: Said) -> Said:
            scale = np.where(run.span.day_index >= LATER, gain, 1.0)
            return {key: values * scale if key in channels else values for key, values in said.items()}

        return replace(plain(scene.home), retold=retold)

    return disturb


def swapped(first: int) -> Callable[[Scene], Disturbed]:
    """The columns of the first two strings exchanged from a day on."""

    def disturb(scene: Scene) -> Disturbed:
        one, other = (f"string:{w.id}" for w in scene.home.wires[:2])
        turned = {one: other, other: one}

        def retold(run: Run, said: Said) -> Said:
            after = run.span.day_index >= first
            return {
                (of, what): np.where(after, said[turned[of], what], values) if of in turned else values
                for (of, what), values in said.items()
            }

        return replace(plain(scene.home), retold=retold)

    return disturb


def moved(north: float, east: float) -> Callable[[Scene], Disturbed]:
    """A site file whose place is off by so many degrees."""

    def disturb(scene: Scene) -> Disturbed:
        latitude, longitude = scene.home.stated
        return Disturbed(scene.home, replace(scene.home, stated=(latitude + north, longitude + east)))

    return disturb


def miscounted(more: int, *strings: str) -> Callable[[Scene], Disturbed]:
    """A site file with so many modules more than there are, on some strings."""

    def counted(wire: Wire) -> Wire:
        return replace(wire, modules=wire.modules + more) if wire.id in strings else wire

    def disturb(scene: Scene) -> Disturbed:
        home = scene.home
        return Disturbed(home, replace(home, wires=tuple(counted(wire) for wire in home.wires)))

    return disturb


def replaced(scene: Scene) -> Disturbed:
    """The inverter stands still, and five days later another one works: rating, losses, measurement, register."""
    home, span = scene.home, scene.span
    old = home.converters[0]
    dead, new = _on(span, LATER), _on(span, LATER + 5)
    outage = Effect("off", f"inverter:{old.id}", (dead, 12.0), (new, 12.0))
    trouble = Trouble(home.id, f"inverter:{old.id}", "inverter_outage", dead, new, "replaced by another make")
    make = replace(old.make, rated_w=0.85 * old.make.rated_w, linear_loss=old.make.linear_loss + 0.02)
    other = replace(home, converters=(replace(old, make=make, gain=old.gain - 0.015), *home.converters[1:]))

    def retold(run: Run, said: Said) -> Said:
        after = run.span.between(new, 12.0, None)
        again = readings_of(replace(run, home=other), flows_of(replace(run, home=other)))
        gains = {f"string:{w.id}": g for w, g in zip(home.wires, (1.012, 0.985), strict=False)}
        return {
            (of, what): np.where(after, again[of, what] * (gains.get(of, 1.0) if what == "dc_current" else 1.0), values)
            for (of, what), values in said.items()
        }

    restart = Effect("restart", f"inverter:{old.id}", (new, 12.0), None, quantity="ac_energy")
    silent = Effect("silent", f"source:{home.exports[0].id}", (dead, 12.0), (new, 12.0))
    return replace(plain(home), happenings=(Happening(trouble, (outage,)), Happening(None, (restart, silent))),
                   retold=retold)  # fmt: skip


def substring_from_the_first_day(scene: Scene) -> Disturbed:
    """A third of a module is gone before anybody looks."""
    return hit(scene, _string(scene, "s1", "bypassed", 1.0 / 3.0, 0))


def two_modules_short_from_the_first_day(scene: Scene) -> Disturbed:
    """Two modules were never wired."""
    return hit(scene, _string(scene, "s1", "bypassed", 2.0, 0))


def dead_from_the_first_day(scene: Scene) -> Disturbed:
    """A string that was never plugged in."""
    return hit(scene, _string(scene, "s1", "open", 1.0, 0))


def weak_in_the_learning_weeks(scene: Scene) -> Disturbed:
    """A module is lost before the roof has shown what it can do."""
    return hit(scene, _string(scene, "s1", "bypassed", 1.0, EARLY))


def dead_in_the_learning_weeks(scene: Scene) -> Disturbed:
    """A string dies before the roof has shown what it can do."""
    return hit(scene, _string(scene, "s1", "open", 1.0, EARLY))


def half_repaired(scene: Scene) -> Disturbed:
    """A string lacks a third, and after a visit still a tenth."""
    count = next(w.modules for w in scene.home.wires if w.id == "s1")
    course = ((0.0, 0.3 * count), (LATEST - 0.01, 0.3 * count), (float(LATEST), 0.1 * count))
    return hit(scene, _string(scene, "s1", "bypassed", 0.3 * count, LATER, course=course))


def two_weak_strings(scene: Scene) -> Disturbed:
    """Both strings lose a module, three weeks apart."""
    return hit(
        scene, _string(scene, "s1", "bypassed", 1.0, LATER), _string(scene, "s2", "bypassed", 1.0, LATER + 21)
    )  # fmt: skip


def two_weak_at_once(scene: Scene) -> Disturbed:
    """Both strings lose a module on one day."""
    return hit(scene, _string(scene, "s1", "bypassed", 1.0, LATER), _string(scene, "s2", "bypassed", 1.0, LATER))


def dead_and_weak(scene: Scene) -> Disturbed:
    """One string dies, the other one loses a module a week later."""
    return hit(scene, _string(scene, "s1", "open", 1.0, LATER), _string(scene, "s2", "bypassed", 1.0, LATER + 7))


def outage_and_shade(scene: Scene) -> Disturbed:
    """A house is built, and soon afterwards the inverter stands for ten days."""
    shade = TROUBLES["new_building"](scene)
    assert shade.trouble is not None
    first = max((shade.trouble.first_day - scene.span.first_day).days, LATER) + 12
    subject = f"inverter:{scene.home.converters[0].id}"
    outage = _whole(scene, "off", subject, "inverter_outage", first, first + 10, 1.0)
    return hit(scene, shade, outage)


def dirt_and_a_dead_string(scene: Scene) -> Disturbed:
    """Dirt gathers for two months; meanwhile a string dies."""
    plane = f"plane:{scene.home.roofs[0].id}"
    dirt = _whole(scene, "dirt", plane, "soiling", 70, 150, 0.2)
    return hit(scene, dirt, _string(scene, "s1", "open", 1.0, 110))


def wrong_zone(hours: float, first: int) -> Callable[[Scene], Disturbed]:
    """Every log shows so many hours less than the site file thinks, from a day on."""

    def disturb(scene: Scene) -> Disturbed:
        effects = tuple(
            Effect("behind", f"source:{e.id}", (_on(scene.span, first), 0.0), None, ((0.0, hours),))
            for e in scene.home.exports
            if e.id.startswith("inv")
        )
        return replace(plain(scene.home), happenings=(Happening(None, effects),))

    return disturb


def local_time_called_utc(scene: Scene) -> Disturbed:
    """The site file says UTC, the log shows the clock on the wall."""
    home = scene.home
    built = tuple(replace(e, dialect=replace(e.dialect, zone="Europe/London")) for e in home.exports)
    stated = tuple(replace(e, dialect=replace(e.dialect, zone="UTC")) for e in home.exports)
    return Disturbed(replace(home, exports=built), replace(home, exports=stated))


def misplaced(tilt: float | None = None, azimuth: float | None = None) -> Callable[[Scene], Disturbed]:
    """A roof that lies elsewhere than its site file has it: the roof is built so, the papers keep what was drawn."""

    def disturb(scene: Scene) -> Disturbed:
        home = scene.home
        roof = home.roofs[0]
        turned = replace(
            roof,
            tilt_deg=roof.tilt_deg if tilt is None else tilt,
            azimuth_deg=roof.azimuth_deg if azimuth is None else azimuth,
        )
        said = roof if tilt is None else replace(roof, tilt_deg=10.0)
        return Disturbed(replace(home, roofs=(turned, *home.roofs[1:])), replace(home, roofs=(said, *home.roofs[1:])))

    return disturb


_S1, _S2 = "string:s1", "string:s2"
_WEAK_S1 = (("underperforming_string", _S1),)
_READINGS = ("data_fault", "*"), ("energy_imbalance", "*"), ("meter_disagreement", "*")
_READ_WRONG = (("data_fault", "*"),)
_AC = (("inverter:inv1", "ac_power"), ("inverter:inv1", "ac_energy"))
_COUNT, _PLACE, _CLOCK, _PLANE, _COLUMNS = "module|nameplate", "latitude|longitude", "clock|zone", "tilt|azimuth", "col"

ATTACKS: dict[str, Attack] = {
    "drift: a current": Attack(twin, drifting((_S1, "dc_current"), per_month=-0.01), _READINGS, months=14),
    "drift: inverter's own power": Attack(weathered, drifting(*_AC, per_month=-0.01), _READINGS, months=14),
    "drift: the sensor": Attack(watched, drifting(("site", "irradiance_poa"), per_month=0.01), _READ_WRONG, months=14),
    "drift: the only channel": Attack(alone, drifting(*_AC, per_month=-0.01), _READINGS, months=14),
    "drift, from some day: a current": Attack(
        twin, drifting((_S1, "dc_current"), per_month=-0.01, first=150), _READINGS, months=14
    ),
    "drift, from some day: a power": Attack(
        weathered, drifting((_S1, "dc_power"), per_month=-0.01, first=150), _READINGS, months=14
    ),
    "drift, from some day: the sensor": Attack(
        watched, drifting(("site", "irradiance_poa"), per_month=0.01, first=150), _READ_WRONG, months=14
    ),
    "drift, from some day: inverter": Attack(
        weathered, drifting(*_AC, per_month=-0.01, first=150), _READINGS, months=14
    ),
    "rescaled: a current": Attack(twin, rescaled((_S1, "dc_current"), gain=0.92), _READINGS),
    "rescaled: a power": Attack(weathered, rescaled((_S1, "dc_power"), gain=0.92), _READINGS),
    "rescaled: a current, a little": Attack(watched, rescaled((_S1, "dc_current"), gain=0.96), _READINGS),
    "rescaled: inverter's own power": Attack(weathered, rescaled(*_AC, gain=0.92), _READINGS),
    "swapped: unlike strings, always": Attack(weathered, swapped(0), _READ_WRONG, f"{_COLUMNS}|{_COUNT}"),
    "swapped: unlike strings, one day": Attack(weathered, swapped(LATER), _READ_WRONG, _COLUMNS),
    "swapped: like strings, one day": Attack(twin, swapped(LATER), _READ_WRONG, _COLUMNS),
    "swapped: east and west, always": Attack(east_west, swapped(0), _READ_WRONG, f"{_COLUMNS}|{_PLANE}"),
    "swapped: east and west, one day": Attack(east_west, swapped(LATER), _READ_WRONG, _COLUMNS),
    "moved by 1 degree": Attack(twin, moved(1.0, 1.0), (), _PLACE),
    "moved by 10 degrees east": Attack(weathered, moved(0.0, 10.0), (("clock_error", "*"),), f"{_PLACE}|{_CLOCK}"),
    "moved by 10 degrees north": Attack(twin, moved(10.0, 0.0), (), f"{_PLACE}|{_PLANE}"),
    "two modules too many on paper": Attack(twin, miscounted(2, "s1"), _WEAK_S1, _COUNT),
    "two modules too few on paper": Attack(twin, miscounted(-2, "s1"), (), _COUNT),
    "two too many, both strings": Attack(weathered, miscounted(2, "s1", "s2"), (), _COUNT),
    "two too few, only string": Attack(alone, miscounted(-2, "s1"), (), _COUNT),
    "inverter replaced": Attack(
        twin, replaced, (("inverter_outage", "inverter:inv1"), ("data_fault", "inverter:inv1"),
                         ("missing_data", "source:inv1-log"), ("clipping", "*")),
    ),
    "two weak strings": Attack(twin, two_weak_strings, (("underperforming_string", "string:*"),)),
    "two weak at once": Attack(twin, two_weak_at_once, (("underperforming_string", "*"),)),
    "a dead and a weak string": Attack(
        twin, dead_and_weak, (("failed_string", _S1), ("underperforming_string", _S2))
    ),
    "outage and shade": Attack(
        twin, outage_and_shade, (("inverter_outage", "inverter:inv1"), ("shading_growth", "*"))
    ),
    "dirt and a dead string": Attack(
        watched, dirt_and_a_dead_string, (("failed_string", _S1), ("soiling", "*"))
    ),
    "weak in the learning weeks": Attack(twin, weak_in_the_learning_weeks, _WEAK_S1, _COUNT),
    "dead in the learning weeks": Attack(weathered, dead_in_the_learning_weeks, (("failed_string", _S1),)),
    "substring, from the first day": Attack(twin, substring_from_the_first_day, _WEAK_S1, _COUNT),
    "two modules, from the first day": Attack(twin, two_modules_short_from_the_first_day, _WEAK_S1, _COUNT),
    "dead, from the first day": Attack(twin, dead_from_the_first_day, (("failed_string", _S1),)),
    "half repaired": Attack(twin, half_repaired, _WEAK_S1),
    "zone: local time called UTC": Attack(weathered, local_time_called_utc, (("clock_error", "*"),), _CLOCK),
    "zone: an hour, always": Attack(two_inverters, wrong_zone(1.0, 0), (("clock_error", "*"),), _CLOCK),
    "zone: an hour, from some day": Attack(twin, wrong_zone(-1.0, LATER), (("clock_error", "*"),), _CLOCK),
    "azimuth 180 for a roof at 90": Attack(twin, misplaced(azimuth=90.0), (), _PLANE),
    "tilt 10 for a roof at 45": Attack(weathered, misplaced(tilt=45.0), (), _PLANE),
}  # fmt: skip
