"""Makes a demo fleet: an invented firm, its homes, a stretch of weather, and what went wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from monitor.demo.chance import stream
from monitor.demo.export import write_exports
from monitor.demo.kinds import CAST, Ground
from monitor.demo.manners import Dialect, draw_dialects
from monitor.demo.naming import draw_firm, draw_names
from monitor.demo.plans import Home
from monitor.demo.production import Run, readings_of
from monitor.demo.site_file import write_fleet_file, write_layouts, write_site_file
from monitor.demo.span import Span, months_until
from monitor.demo.troubles import TROUBLES, Happening, Trouble, affected, router_gaps
from monitor.demo.weather import Place, Region, draw_region, weather_at

ZONE = "Europe/London"
KM_PER_DEGREE = 111.2


@dataclass(frozen=True, slots=True)
class FleetTruth:
    """What is truly wrong in a demo fleet, and why some of its healthy homes look odd."""

    troubles: tuple[Trouble, ...]
    awkward: dict[str, str]


def make_fleet(
    folder: Path,
    *,
    seed: int = 1,
    last_day: date,
    months: int = 14,
    sites: int = 8,
    progress: Callable[[str], None] | None = None,
) -> FleetTruth:
    """Write a complete fleet folder and return what is wrong with it; everything follows from the seed."""
    span = months_until(last_day, months, ZONE)
    homes = draw_homes(seed, span, sites)
    write_fleet_file(folder, draw_firm(stream(seed, "firm")), ZONE)
    write_layouts(folder, homes)
    region = draw_region(span, [home.place for home in homes], seed)
    happenings = [_happening(seed, span, i, home) for i, home in enumerate(homes)]
    for i, (home, happening) in enumerate(zip(homes, happenings, strict=True)):
        if progress is not None:
            progress(f"{home.name} ({i + 1} of {sites})")
        write_site_file(folder, home, ZONE)
        write_home(folder, seed, region, i, home, happening)
    return FleetTruth(
        troubles=tuple(one.trouble for one in happenings if one is not None),
        awkward={home.id: home.awkward for home in homes if home.awkward},
    )


def draw_homes(seed: int, span: Span, count: int) -> list[Home]:
    """The homes of a fleet: kinds in turn, everything else by chance."""
    names = draw_names(stream(seed, "names"), count)
    centre = stream(seed, "region").uniform((51.0, -2.8), (52.2, -0.2))
    dialects = draw_dialects(stream(seed, "dialects"), ZONE)
    return [
        CAST[i % len(CAST)][0](_ground(stream(seed, "home", i), name, span, centre, dialects, i))
        for i, name in enumerate(names)
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


def _happening(seed: int, span: Span, number: int, home: Home) -> Happening | None:
    trouble = CAST[number % len(CAST)][1]
    if trouble is None or (trouble == "failed_string" and number >= len(CAST)):
        return None
    return TROUBLES[trouble](home, span, stream(seed, home.id, "trouble"))


def write_home(folder: Path, seed: int, region: Region, number: int, home: Home, happening: Happening | None) -> None:
    """Run a home through the weather of its row in the region's fields, and write what its devices say."""
    span, effects = region.span, happening.effects if happening is not None else ()
    weather = weather_at(region, home.place, number, stream(seed, home.id, "weather"))
    said = readings_of(Run(home, span, weather, effects, seed))
    gaps = router_gaps(span, stream(seed, home.id, "router"))
    silent = {e.id: gaps | affected(span, effects, "silent", f"source:{e.id}") for e in home.exports}
    write_exports(folder, home, span, said, silent)
