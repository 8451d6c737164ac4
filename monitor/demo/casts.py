"""Which homes a fleet has, and what goes wrong in each: named plans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.demo.chance import stream
from monitor.demo.kinds import (
    Ground,
    alone,
    coarse,
    east_west,
    electronic,
    hemmed,
    limited,
    metered,
    snowy,
    treed,
    twin,
    two_inverters,
    two_pitches,
    watched,
    weathered,
)
from monitor.demo.plans import Home

Kind = Callable[[Ground], Home]


@dataclass(frozen=True, slots=True)
class Role:
    """A kind of home and what happens to it: keys of TROUBLES or of HARMLESS."""

    kind: Kind
    happens: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Cast:
    """The homes of a fleet in order, and how many weeks of midwinter are dark."""

    roles: tuple[Role, ...]
    dark_weeks: int = 0


def show(seed: int, count: int) -> Cast:
    """Eight kinds of homes, half of them healthy, and four troubles. A larger fleet goes round, later twins sound."""
    cast = (
        Role(twin, ("failed_string",)), Role(east_west), Role(alone, ("missing_data",)), Role(electronic),
        Role(two_inverters, ("inverter_gone",)), Role(weathered, ("inverter_off",)), Role(watched), Role(treed),
    )  # fmt: skip
    roles = [cast[i % len(cast)] for i in range(count)]
    later = [Role(r.kind) if r.happens == ("failed_string",) else r for r in roles[len(cast) :]]
    return Cast((*roles[: len(cast)], *later))


def show_more(seed: int, count: int) -> Cast:
    """The homes of `aftercare demo`: the same kinds, half of them healthy, and seven troubles on the other half."""
    cast = (
        Role(twin, ("failed_string",)), Role(east_west), Role(alone, ("new_load",)),
        Role(electronic, ("missing_data", "cracked_module")),
        Role(two_inverters, ("inverter_gone", "meter_off")),
        Role(weathered, ("inverter_off", "lost_module")), Role(watched), Role(treed),
    )  # fmt: skip
    return Cast(tuple(cast[i % len(cast)] for i in range(count)))


def sound(seed: int, count: int) -> Cast:
    """The homes of `show` with nothing wrong in any of them."""
    return Cast(tuple(Role(role.kind) for role in show(seed, count).roles))


# Every trouble with the kinds of homes on which it can show. Six fleets of ten in a row meet all of them.
FITTING: tuple[tuple[str, tuple[Kind, ...]], ...] = (
    ("lost_substring", (twin, watched)),
    ("growing_evergreen", (twin, weathered, alone)),
    ("meter_off", (two_inverters, metered)),
    ("drifting_clock", (twin, weathered, alone)),
    ("cracked_module", (electronic, two_pitches)),
    ("failed_string", (twin, weathered, east_west, watched)),
    ("soiling", (twin, weathered, metered, electronic)),
    ("unit_changed", (twin, metered, two_inverters)),
    ("reversed_sensor", (metered, alone)),
    ("inverter_off", (twin, weathered, two_inverters)),
    ("bad_joint", (twin, watched, weathered)),
    ("new_building", (twin, east_west, weathered, alone)),
    ("grid_voltage_trip", (twin, weathered, metered)),
    ("dead_channel", (twin, watched, metered)),
    ("missing_data", (alone, twin, watched)),
    ("opens_when_warm", (twin, watched, metered)),
    ("growing_tree", (twin, weathered, electronic)),
    ("stray_sensor", (metered, alone)),
    ("missed_clock_change", (twin, weathered, alone, watched)),
    ("fading_module", (electronic, two_pitches)),
    ("lost_module", (twin, weathered, east_west)),
    ("stuck_value", (twin, weathered, metered)),
    ("inverter_gone", (two_inverters,)),
    ("opens_some_days", (twin, weathered, east_west)),
    ("register_restarts", (twin, weathered, metered)),
    ("module_without_a_part", (electronic, two_pitches)),
)
HEALTHY: tuple[Role, ...] = (
    Role(east_west), Role(hemmed), Role(watched), Role(metered, ("new_load",)), Role(snowy), Role(electronic),
    Role(twin, ("washed_after_handover",)), Role(limited), Role(treed), Role(coarse), Role(alone, ("new_load",)),
    Role(two_inverters), Role(weathered, ("washed_after_handover",)), Role(two_pitches),
)  # fmt: skip


def every_cause(seed: int, count: int) -> Cast:
    """Half of the homes with troubles, the other half healthy and awkward; seeds in a row go through both lists."""
    rng, ill = stream(seed, "cast"), count // 2
    roles: list[Role] = []
    for n in range(ill):
        name, kinds = FITTING[(seed * ill + n) % len(FITTING)]
        roles.append(Role(kinds[int(rng.integers(len(kinds)))], (name,)))
    healthy = count - ill
    roles += [HEALTHY[(seed * healthy + n) % len(HEALTHY)] for n in range(healthy)]
    return Cast(tuple(roles[i] for i in rng.permutation(count).tolist()), dark_weeks=3)


CASTS: dict[str, Callable[[int, int], Cast]] = {plan.__name__: plan for plan in (show, show_more, sound, every_cause)}
