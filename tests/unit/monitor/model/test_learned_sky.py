"""The sky map as the nights learn it: when it is built, what it learns of the first year, and what gains saw of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from functools import cache

import numpy as np
import pytest

from ingest.readings import Values
from monitor.model.gain import Gains, clear_ratio, energy_ratio
from monitor.model.grid import grid
from monitor.model.learned_sky import (
    FIRST_NIGHTS,
    LEAST_DAYS,
    KeptLooks,
    LearnedSky,
    is_build_night,
    kept,
    looks_at_gain,
    next_build_night,
    next_sky,
)
from monitor.model.looks import DayLooks, Facing, day_looks, in_a_row, module_looks
from monitor.model.physics import Physics, site_physics
from monitor.model.shading import shaded_physics
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, Cells, cell_of
from monitor.model.skymap import SkyMap, open_sky
from monitor.model.sun import sun_position
from tests.unit.monitor.conftest import made_site

LATITUDE, PLANE, SUBJECT = 52.1, (35.0, 180.0), "string:s1"
SITE = made_site()
Through = Callable[[Values, Values, int], Values]
JANUARY = date(2026, 1, 1)
MIDDLE = cell_of(np.array([150.0]), np.array([16.0]))[0]


def seconds(day: date) -> int:
    return (day - date(1970, 1, 1)).days * 86_400


@cache
def sun_cells(day: date) -> tuple[Values, Values, Cells]:
    """Azimuth, elevation and cell of the sun, once for every cell that it passes on a day."""
    times = grid(seconds(day), seconds(day) + 86_400) + 450
    sun = sun_position(times, latitude=LATITUDE, longitude=0.0, altitude_m=0.0)
    up = sun.elevation_deg > 5.0
    azimuth, elevation = sun.azimuth_deg[up], sun.elevation_deg[up]
    cells, at = np.unique(cell_of(azimuth, elevation), return_index=True)
    return azimuth[at], elevation[at], cells


def nights(through: Through, first: date, count: int, *, clear_every: int = 2) -> list[KeptLooks]:
    """Kept looks of clear days, at a transmittance by azimuth, elevation and number of the night."""
    found = []
    for n in range(0, count, clear_every):
        day = first + timedelta(n)
        azimuth, elevation, cells = sun_cells(day)
        one, seen = np.ones(cells.size), through(azimuth, elevation, n)
        looks = DayLooks(day, cells, seen, 0.06 * one, np.where(seen > 0.9, 0.97, 0.85), one, 0.85 * one)
        found.append(kept(SUBJECT, looks, gain=1.0, healthy=True))
    return found


def grown(chain: list[KeptLooks], *, until: date | None = None) -> list[LearnedSky]:
    """All maps that the nights of a chain build one after the other."""
    skies: list[LearnedSky] = []
    first = chain[0].day
    for n in range(((until or chain[-1].day) - first).days + 1):
        night = first + timedelta(n)
        if is_build_night(first, night):
            so_far = [one for one in chain if one.day <= night]
            sky = next_sky(
                so_far, skies[-1] if skies else None, night=night, latitude=LATITUDE, plane=PLANE, gain=1.0,
                learned_by=None,
            )  # fmt: skip
            skies += [sky] if sky is not None else []
    return skies


def behind(azimuth: Values, elevation: Values, top: float) -> Values:
    """1 in the open, 0.2 behind something to the south-south-east."""
    return np.where((np.abs(azimuth - 150.0) < 20.0) & (elevation < top), 0.2, 1.0)


def test_maps_are_built_weekly_then_every_second_week_and_for_the_last_time_after_a_year() -> None:
    built = [n for n in range(1, 800) if is_build_night(JANUARY, JANUARY + timedelta(n - 1))]
    gaps = np.diff(built)
    assert built[0] == LEAST_DAYS
    assert set(gaps.tolist()) == {7, 14}
    assert np.all(np.diff(gaps) >= 0)
    assert FIRST_NIGHTS <= built[-1] < FIRST_NIGHTS + 14
    of_modules = [n for n in range(1, 800) if is_build_night(JANUARY, JANUARY + timedelta(n - 1), module=True)]
    assert set(of_modules) < set(built)
    assert FIRST_NIGHTS <= of_modules[-1] < FIRST_NIGHTS + 28
    for n in range(1, 400):
        due = next_build_night(JANUARY, JANUARY + timedelta(n - 1))
        assert due == next((JANUARY + timedelta(k - 1) for k in built if k > n), None)


def test_nothing_is_concluded_from_fewer_days_than_a_month_has() -> None:
    chain = nights(lambda a, e, _: behind(a, e, 90.0), JANUARY, LEAST_DAYS - 1, clear_every=1)
    given = {"latitude": LATITUDE, "plane": PLANE, "gain": 1.0, "learned_by": None}
    assert next_sky(chain, None, night=chain[-1].day, **given) is None  # type: ignore[arg-type]
    chain = nights(lambda a, e, _: behind(a, e, 90.0), JANUARY, LEAST_DAYS, clear_every=1)
    sky = next_sky(chain, None, night=chain[-1].day, **given)  # type: ignore[arg-type]
    assert sky is not None
    assert sky.casts_shade
    assert sky.learned_until == chain[-1].day


def test_looks_of_another_gain_are_those_that_had_been_taken_with_this_one() -> None:
    physics = site_physics(SITE, grid(seconds(date(2026, 4, 10)), seconds(date(2026, 4, 11))))
    power = 0.9 * physics.clear_w(SUBJECT) * np.where(physics.sun.azimuth_deg < 150.0, 0.7, 1.0)
    given = {"day": date(2026, 4, 10), "limit_w": 5200.0, "facing": [Facing(*PLANE)]}
    early = kept(SUBJECT, day_looks(power, physics, SUBJECT, gain=1.0, **given), gain=1.0, healthy=True)  # type: ignore[arg-type]
    late = in_a_row([day_looks(power, physics, SUBJECT, gain=0.9, **given)])  # type: ignore[arg-type]
    found = looks_at_gain([early], 0.9)
    np.testing.assert_array_equal(found.cell, late.cell)
    np.testing.assert_array_equal(found.day, late.day)
    np.testing.assert_allclose(found.transmittance, late.transmittance, atol=0.01)
    in_the_open = late.transmittance[late.clarity > 0.9]
    assert np.median(in_the_open) == pytest.approx(1.0, abs=0.01)


def test_what_stands_higher_than_the_winter_sun_is_learned_when_the_sun_gets_there() -> None:
    skies = grown(nights(lambda a, e, _: behind(a, e, 45.0), JANUARY, 366))
    high = cell_of(np.array([150.0]), np.array([38.0]))[0]
    by_winter, at_last = (min(sky.sky_map.leafy[high], sky.sky_map.bare[high]) for sky in (skies[0], skies[-1]))
    assert skies[0].learned_until < date(2026, 3, 10)
    assert by_winter == 1.0
    assert at_last < 0.4
    assert min(skies[0].sky_map.leafy[MIDDLE], skies[0].sky_map.bare[MIDDLE]) < 0.4


def test_shade_that_comes_later_where_the_sky_was_seen_open_is_not_learned() -> None:
    def through(azimuth: Values, elevation: Values, n: int) -> Values:
        return behind(azimuth, elevation, 90.0 if n > 200 else 12.0)

    skies = grown(nights(through, JANUARY, 366))
    last = skies[-1].sky_map
    low = cell_of(np.array([150.0]), np.array([10.0]))[0]
    assert min(last.leafy[low], last.bare[low]) < 0.4  # stood there from the beginning
    assert last.leafy[MIDDLE] == last.bare[MIDDLE] == 1.0  # seen open in February, dark in November
    assert not (np.minimum(last.leafy, last.bare)[cell_of(np.full(9, 150.0), np.arange(15.0, 60.0, 5.0))] < 1.0).any()


def test_a_frozen_cell_keeps_its_value_whatever_comes_later() -> None:
    def through(azimuth: Values, elevation: Values, n: int) -> Values:
        return np.where(behind(azimuth, elevation, 30.0) < 1.0, 0.3 if n < 120 else 1.0, 1.0)

    skies = grown(nights(through, JANUARY, 366))
    early = next(sky for sky in skies if sky.sky_map.bare_frozen[MIDDLE])
    assert early.sky_map.bare[MIDDLE] < 0.4
    for later in skies[skies.index(early) :]:
        assert later.sky_map.bare[MIDDLE] == early.sky_map.bare[MIDDLE]


def test_a_gain_learned_beside_open_tables_is_right_beside_shaded_ones() -> None:
    """Power is 0.9 of the tables behind a wall to the south-east; what is learned beside open ones is less."""
    hidden = np.where((CELL_AZIMUTH > 80.0) & (CELL_AZIMUTH < 150.0) & (CELL_ELEVATION < 45.0), 0.25, 1.0)
    wall = replace(open_sky(LATITUDE), leafy=hidden, bare=hidden)
    looks, clear, energy = [], [], []
    for n in range(0, 180, 4):
        day = JANUARY + timedelta(n)
        tables = site_physics(SITE, grid(seconds(day), seconds(day) + 86_400))
        power = 0.9 * shaded_physics(SITE, tables, {SUBJECT: wall}).clear_w(SUBJECT)
        one = day_looks(power, tables, SUBJECT, day=day, gain=1.0, limit_w=5200.0, facing=[Facing(*PLANE)])
        looks.append(kept(SUBJECT, one, gain=1.0, healthy=True))
        clear.append(clear_ratio(power, tables.clear_w(SUBJECT), rated_w=4000.0))
        energy.append(energy_ratio(power, tables.clear_w(SUBJECT), rated_w=4000.0))
    clear_gain = float(np.quantile([r for r in clear if r is not None], 0.75))
    energy_gain = float(np.median([r for r in energy if r is not None]))
    sky = next_sky(
        looks, None, night=JANUARY + timedelta(180), latitude=LATITUDE, plane=PLANE, gain=clear_gain, learned_by=None
    )
    assert sky is not None
    found = sky.over(Gains(clear_gain, clear_gain, energy_gain, 0.03, True))
    assert clear_gain < 0.898
    assert found.clear_sky == found.sensor == pytest.approx(0.9, abs=0.004)
    assert energy_gain < 0.79
    assert found.weather == pytest.approx(0.9, abs=0.08)  # ordinary days have less beam than these cloudless ones


def test_gains_that_were_not_learned_have_no_shade_in_them() -> None:
    sky = grown(nights(lambda a, e, _: behind(a, e, 30.0), JANUARY, 60, clear_every=1))[-1]
    nameplate = Gains(1.0, 1.0, 1.0, 0.12, False)
    assert sky.over(nameplate) == nameplate


def test_a_shaded_module_is_told_from_its_neighbours_by_their_sky() -> None:
    physics = site_physics(SITE, grid(seconds(date(2026, 4, 10)), seconds(date(2026, 4, 11))))
    maps: dict[str, SkyMap] = {}
    assert shaded_physics(SITE, physics, maps) is physics
    each = physics.clear_w(SUBJECT) / 10.0
    beam = _clear_beam(physics) / 10.0
    morning = physics.sun.azimuth_deg < 150.0
    power = np.tile(each, (10, 1))
    power[3] = np.where(morning, each - 0.8 * beam, each)
    power[5] = np.nan
    looks = module_looks(
        power, physics, SUBJECT, day=date(2026, 4, 10), gain=1.0, modules=10, limit_w=520.0, facing=[Facing(*PLANE)]
    )
    dark = looks[3].transmittance[looks[3].clarity > 0.9]
    assert looks[5].cell.size == 0
    np.testing.assert_allclose(looks[0].transmittance, 1.0, atol=1e-9)
    assert np.all((np.abs(dark - 0.2) < 0.02) | (np.abs(dark - 1.0) < 0.02) | (dark > 0.2))
    assert np.count_nonzero(np.abs(dark - 0.2) < 0.02) >= 5


def _clear_beam(physics: Physics) -> Values:
    return physics.clear_w(SUBJECT) * physics.beam_share[SUBJECT][11]
