"""Makes a demo fleet: an invented firm, its homes, a stretch of weather, and what went wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from monitor.demo.casts import CASTS, Role
from monitor.demo.chance import stream
from monitor.demo.effects import affected
from monitor.demo.export import write_exports
from monitor.demo.kinds import Ground
from monitor.demo.manners import Dialect, draw_dialects
from monitor.demo.naming import draw_firm, draw_names
from monitor.demo.plans import Home
from monitor.demo.production import Run, flows_of
from monitor.demo.router import router_gaps
from monitor.demo.said import readings_of
from monitor.demo.site_file import write_fleet_file, write_layouts, write_site_file
from monitor.demo.span import Span, months_until
from monitor.demo.troubles import HARMLESS, TROUBLES, Happening, Scene
from monitor.demo.truth import FleetTruth, truth_of
from monitor.demo.weather import Place, Region, draw_region, weather_at

ZONE = "Europe/London"
KM_PER_DEGREE = 111.2


def make_fleet(
    folder: Path,
    *,
    seed: int = 1,
    last_day: date,
    months: int = 14,
    sites: int = 8,
    cast: str = "show",
    progress: Callable[[str], None] | None = None,
) -> FleetTruth:
    """Write a complete fleet folder and return what is wrong with it; everything follows from the arguments.

    `cast` is a key of CASTS: which homes there are, and what happens to them.
    """
    span, played = months_until(last_day, months, ZONE), CASTS[cast](seed, sites)
    homes = draw_homes(seed, span, played.roles)
    write_fleet_file(folder, draw_firm(stream(seed, "firm")), ZONE)
    write_layouts(folder, homes)
    region = draw_region(span, [home.place for home in homes], seed, dark_weeks=played.dark_weeks)
    wholes = []
    for i, (home, role) in enumerate(zip(homes, played.roles, strict=True)):
        if progress is not None:
            progress(f"{home.name} ({i + 1} of {sites})")
        write_site_file(folder, home, ZONE)
        wholes.append(write_home(folder, seed, region, i, home, _happenings(seed, region, home, role)))
    return FleetTruth(
        troubles=tuple(one for whole in wholes for one in whole.troubles),
        awkward={key: why for whole in wholes for key, why in whole.awkward.items()},
        notes=tuple(one for whole in wholes for one in whole.notes),
        healthy_kwh={key: kwh for whole in wholes for key, kwh in whole.healthy_kwh.items()},
    )


def draw_homes(seed: int, span: Span, roles: Sequence[Role]) -> list[Home]:
    """The homes of a fleet: kinds as they are cast, everything else by chance."""
    names = draw_names(stream(seed, "names"), len(roles))
    centre = stream(seed, "region").uniform((51.0, -2.8), (52.2, -0.2))
    dialects = draw_dialects(stream(seed, "dialects"), ZONE)
    return [
        role.kind(_ground(stream(seed, "home", i), name, span, centre, dialects, i))
        for i, (name, role) in enumerate(zip(names, roles, strict=True))
    ]


def _ground(
    rng: np.random.Generator, name: str, span: Span, centre: np.ndarray, dialects: tuple[Dialect, ...], number: int
) -> Ground:
    """A home's place: stated to a tenth of a degree, in truth somewhere in that square."""
    stated = np.round(centre + rng.uniform(-0.35, 0.35, 2), 1)
    latitude, longitude = stated + rng.uniform(-0.04, 0.04, 2)
    east_km = (longitude - centre[1]) * KM_PER_DEGREE * np.cos(np.radians(latitude))
    return Ground(
        rng=rng,
        id=name.split()[0].lower(),
        name=name,
        place=Place(latitude, longitude, float(rng.integers(20, 180)), east_km, (latitude - centre[0]) * KM_PER_DEGREE),
        stated=(float(stated[0]), float(stated[1])),
        commissioned=span.first_day,
        dialect=dialects[1 + number % (len(dialects) - 1)],
        shared=dialects[0],
    )


def _happenings(seed: int, region: Region, home: Home, role: Role) -> tuple[Happening, ...]:
    drawn = []
    for n, name in enumerate(role.happens):
        rng = stream(seed, home.id, "trouble", *([n] if n else []))
        happening = {**TROUBLES, **HARMLESS}[name](Scene(home, region.span, region, seed, rng))
        named = None if happening.trouble is None else replace(happening.trouble, kind=name)
        drawn.append(replace(happening, trouble=named))
    return tuple(drawn)


def write_home(
    folder: Path, seed: int, region: Region, number: int, home: Home, happenings: Sequence[Happening] = ()
) -> FleetTruth:
    """Run a home through the weather of its row in the region's fields, and write what its devices say."""
    span, effects = region.span, tuple(e for one in happenings for e in one.effects)
    weather = weather_at(region, home.place, number, stream(seed, home.id, "weather"))
    run = Run(home, span, weather, effects, seed)
    flows = flows_of(run)
    gaps = router_gaps(span, stream(seed, home.id, "router"))
    silent = {e.id: gaps | affected(span, effects, "silent", f"source:{e.id}") for e in home.exports}
    write_exports(folder, home, span, readings_of(run, flows), silent, effects)
    return truth_of(run, flows, happenings)
