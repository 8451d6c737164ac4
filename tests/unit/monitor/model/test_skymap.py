"""The as-installed sky map: what it finds, what it leaves alone, and what follows from it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.model.grid import grid
from monitor.model.looks import DayLooks, Facing, day_looks
from monitor.model.obstruction import build_map
from monitor.model.physics import CLEAR_NODE, Physics, at_index, site_physics
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELLS, cell_of
from monitor.model.skymap import SkyMap, leaf_share, open_sky, shaded
from monitor.model.sun import sun_position
from tests.benchmarks.shaded_roof import Roof, Thing, Truth, run
from tests.unit.monitor.conftest import made_site

DAY = date(2026, 6, 21)
SUBJECT = "string:s1"
FACING = [Facing(35.0, 180.0)]


def tables(
    *, latitude: float = 52.0, azimuth: float = 180.0, tilt: float = 35.0, day: date = DAY, days: int = 1
) -> Physics:
    place = {"id": "x", "name": "X", "timezone": "UTC", "commissioned": "2025-01-01"}
    site = made_site(
        site=place | {"latitude": latitude, "longitude": 0.0},
        plane=[{"id": "south", "tilt_deg": tilt, "azimuth_deg": azimuth}],
    )
    start = (day - date(1970, 1, 1)).days * 86400
    return site_physics(site, grid(start, start + days * 86400))


def look(power_w: Values, physics: Physics, *, index: Values | None = None, facing: Facing = FACING[0]) -> DayLooks:
    return day_looks(power_w, physics, SUBJECT, day=DAY, gain=1.0, limit_w=5200.0, facing=[facing], index=index)


def dark_map(where: Callable[[Values, Values], Values], *, latitude: float = 52.0, through: float = 0.0) -> SkyMap:
    hidden = np.where(where(CELL_AZIMUTH, CELL_ELEVATION), through, 1.0)
    return replace(open_sky(latitude), leafy=hidden, bare=hidden)


def looks_of_year(
    through: Callable[[Values, Values, int], Values], *, latitude: float = 52.0, clear_every: int = 3, days: int = 365
) -> list[DayLooks]:
    """Looks of clear days of 2026 at a given transmittance by azimuth, elevation and day of the year."""
    found = []
    for n in range(0, days, clear_every):
        day = date(2026, 1, 1) + timedelta(n)
        start = (day - date(1970, 1, 1)).days * 86400
        sun = sun_position(grid(start, start + 86400) + 450, latitude=latitude, longitude=0.0, altitude_m=0.0)
        up = sun.elevation_deg > 5.0
        azimuth, elevation = sun.azimuth_deg[up], sun.elevation_deg[up]
        one = np.ones(azimuth.size)
        found.append(
            DayLooks(
                day,
                cell_of(azimuth, elevation),
                through(azimuth, elevation, n + 1),
                0.06 * one,
                0.97 * one,
                one,
                0.85 * one,
            )
        )
    return found


def real_looks(roof: Roof, *, others: bool) -> tuple[list[DayLooks], Truth]:
    truth = run(roof)
    physics = site_physics(roof.site(), truth.starts)
    found = []
    for n in range(truth.starts.size // 96):
        span = slice(96 * n, 96 * n + 96)
        found.append(
            day_looks(
                truth.power_w[span], physics.part(span), SUBJECT, day=date(2026, 1, 1) + timedelta(n), gain=1.0,
                limit_w=5200.0, facing=[Facing(roof.tilt_deg, roof.azimuth_deg)],
                index=truth.index[span] if others else None,
            )
        )  # fmt: skip
    return found, truth


@pytest.fixture(scope="module")
def chimney() -> list[DayLooks]:
    """A year of a roof whose tilt, azimuth and gain differ from its papers, behind a neighbour's gable."""
    roof = Roof(
        52.0,
        35.0,
        180.0,
        (Thing(200.0, 230.0, 22.0),),
        tilt_off_deg=2.0,
        azimuth_off_deg=5.0,
        gain=1.02,
        seed=3,
        years=1,
    )
    return real_looks(roof, others=False)[0]


def test_an_obstruction_is_found_where_it_stands(chimney: list[DayLooks]) -> None:
    built = build_map(chimney, latitude=52.0)
    outline = built.outline()
    inside = np.abs(outline.azimuth_deg - 215.0) < 12.0
    assert outline.top_deg[inside] == pytest.approx(22.0, abs=3.0)
    assert np.all(outline.low_deg[inside] <= 22.5)
    assert np.all(outline.high_deg[inside] >= 21.0)
    there = outline.azimuth_deg[~np.isnan(outline.top_deg)]
    assert there.min() - 2.5 == pytest.approx(200.0, abs=10.0)
    assert there.max() + 2.5 == pytest.approx(230.0, abs=10.0)
    assert {1, 11, 12} <= set(built.months_in_sun_path())
    assert not {5, 6, 7} & set(built.months_in_sun_path())


def test_what_the_obstruction_hides_of_the_even_sky(chimney: list[DayLooks]) -> None:
    """Against the integral over the true outline, 4.5 % of the light on this plane."""
    assert build_map(chimney, latitude=52.0).blocked_diffuse(35.0, 180.0) == pytest.approx(0.045, abs=0.012)


def test_an_open_roof_that_differs_from_its_papers_stays_open() -> None:
    roof = Roof(-35.0, 30.0, 20.0, (), tilt_off_deg=-3.0, azimuth_off_deg=7.0, gain=0.97, seed=5, years=1)
    looks, _ = real_looks(roof, others=True)
    built = build_map(looks, latitude=-35.0)
    visited = np.unique(np.concatenate([one.cell for one in looks]))
    assert visited.size > 400
    assert built.shaded_cells()[visited].mean() < 0.01


@pytest.mark.parametrize(
    ("latitude", "azimuth", "tilt", "middle"),
    [(52.0, 180.0, 35.0, 210.0), (-35.0, 0.0, 30.0, 330.0), (5.0, 180.0, 15.0, 100.0), (80.0, 0.0, 30.0, 350.0)],
)
def test_shade_of_the_models_own_physics_comes_back(
    latitude: float, azimuth: float, tilt: float, middle: float
) -> None:
    """Signs of hemispheres, the tropics' zenith, a night in which the sun shines from the north."""

    def where(az: Values, el: Values) -> Values:
        return (np.abs((az - middle + 180.0) % 360.0 - 180.0) < 16.0) & (el < 25.0)

    truth, first = dark_map(where, latitude=latitude), date(2026, 1, 1)
    year = tables(latitude=latitude, azimuth=azimuth, tilt=tilt, day=first, days=365)
    power = shaded(year.power_w[SUBJECT], year.beam_share[SUBJECT], truth, year.sun, blocked_diffuse=0.0)[CLEAR_NODE]
    looks = []
    for n in range(0, 365, 3):
        span = slice(96 * n, 96 * n + 96)
        seen = look(power[span], year.part(span), facing=Facing(tilt, azimuth))
        looks.append(replace(seen, day=first + timedelta(n)))
    found = build_map(looks, latitude=latitude)
    days = np.bincount(np.concatenate([one.cell for one in looks]), minlength=CELLS)
    often = days >= 4
    assert np.count_nonzero(often & truth.shaded_cells()) >= 6
    assert np.mean(found.shaded_cells()[often & truth.shaded_cells()]) > 0.8
    assert np.mean(found.shaded_cells()[often & ~truth.shaded_cells()]) < 0.02


def test_a_clear_day_gives_ones_and_clear_looks() -> None:
    physics = tables()
    found = look(physics.clear_w(SUBJECT), physics)
    assert found.cell.size > 20
    assert found.transmittance == pytest.approx(1.0)
    assert np.all(found.clarity > 0.9)


def test_what_tells_nothing_is_left_out() -> None:
    physics = tables()
    clear = physics.clear_w(SUBJECT)
    noon = int(clear.argmax())
    whole = look(clear, physics)
    assert CELL_ELEVATION[whole.cell].min() > 2.5
    power = clear.copy()
    power[noon - 4 : noon] = np.nan
    power[noon : noon + 4] = 0.0  # a standstill, not shade
    power[noon + 4 : noon + 8] = 5200.0  # at the limit
    gone = set(cell_of(physics.sun.azimuth_deg, physics.sun.elevation_deg)[noon - 3 : noon + 7].tolist())
    assert not gone & set(look(power, physics).cell.tolist())
    assert look(np.full(clear.shape, np.nan), physics).cell.size == 0
    night = tables(latitude=80.0, day=date(2026, 12, 21))
    assert look(night.clear_w(SUBJECT), night).cell.size == 0


def test_a_dark_interval_is_sure_on_a_clear_day_and_unsure_on_a_dull_one() -> None:
    physics = tables()
    clear = physics.clear_w(SUBJECT)
    noon = int(clear.argmax())
    behind = slice(noon - 3, noon + 3)
    cells = cell_of(physics.sun.azimuth_deg, physics.sun.elevation_deg)[noon - 2 : noon + 2]
    power = clear.copy()
    power[behind] *= 1.0 - physics.beam_share[SUBJECT][CLEAR_NODE][behind]
    bright, dull = look(power, physics), look(0.3 * clear, physics)
    assert bright.transmittance[np.isin(bright.cell, cells)] == pytest.approx(0.0, abs=1e-9)
    assert np.all(bright.clarity[np.isin(bright.cell, cells)] > 0.8)
    assert np.all(dull.clarity < 0.1)


def test_others_who_saw_a_bright_sky_make_a_look_sure_and_a_dark_one_never_explains_shade_away() -> None:
    physics = tables()
    table, share = physics.power_w[SUBJECT], physics.beam_share[SUBJECT]
    ninety = np.full(physics.starts.shape, 0.9)
    power = at_index(table, ninety)
    found = look(power * (1.0 - at_index(share, ninety)), physics, index=ninety)
    assert found.transmittance == pytest.approx(0.0, abs=1e-9)
    assert np.all(found.clarity > 0.5)
    half = np.full(physics.starts.shape, 0.5)  # a sibling in the same shade says so
    same = look(at_index(table, half), physics, index=half)
    alone = look(at_index(table, half), physics)
    assert same.transmittance == pytest.approx(alone.transmittance)
    assert np.all(same.transmittance < 0.75)


def test_leaves_come_and_go() -> None:
    def tree(azimuth: Values, elevation: Values, day: int) -> Values:
        behind = (np.abs(azimuth - 200.0) < 20.0) & (elevation < 50.0)
        return np.where(behind, 0.8 - 0.5 * leaf_share(float(day), 52.0), 1.0)

    built = build_map(looks_of_year(tree), latitude=52.0)
    at = np.array([200.0]), np.array([40.0])
    assert built.transmittance(*at, 200.0) == pytest.approx(0.3, abs=0.08)
    assert built.transmittance(*at, 60.0) == pytest.approx(0.8, abs=0.08)
    assert built.blocked_diffuse(35.0, 180.0, 200.0) > 2.0 * built.blocked_diffuse(35.0, 180.0, 20.0)


def test_a_tree_that_grows_is_not_learned_into_a_frozen_map() -> None:
    def growing(azimuth: Values, elevation: Values, day: int) -> Values:
        top = 20.0 if day < 150 else 35.0
        return np.where((np.abs(azimuth - 200.0) < 20.0) & (elevation < top), 0.0, 1.0)

    looks = looks_of_year(growing)
    frozen: SkyMap | None = None
    for until in range(10, len(looks), 6):
        frozen = build_map(looks[:until], latitude=52.0, frozen=frozen)
    assert frozen is not None
    behind, above = (np.array([200.0]), np.array([14.0])), (np.array([200.0]), np.array([28.0]))
    assert frozen.transmittance(*behind, 40.0) == pytest.approx(0.0, abs=0.1)
    # Seen open in February, before it grew, and so kept, also for October.
    assert frozen.transmittance(*above, 280.0) == pytest.approx(1.0, abs=0.05)
    assert build_map(looks, latitude=52.0).transmittance(*above, 280.0) < 0.5
    # Frozen cells outlive their looks.
    later = build_map(looks[-5:], latitude=52.0, frozen=frozen)
    assert later.transmittance(*behind, 40.0) == pytest.approx(frozen.transmittance(*behind, 40.0))


def test_few_looks_give_an_open_sky() -> None:
    def dark(azimuth: Values, elevation: Values, day: int) -> Values:
        return np.where(np.abs(azimuth - 200.0) < 20.0, 0.0, 1.0)

    assert not build_map([], latitude=52.0).shaded_cells().any()
    assert not build_map(looks_of_year(dark, days=4), latitude=52.0).shaded_cells().any()
    assert build_map(looks_of_year(dark, days=30), latitude=52.0).shaded_cells().any()


def test_blocked_share_of_a_ring_around_a_flat_roof() -> None:
    """A ring up to elevation h hides sin(h) squared of an even sky from a level plane."""
    ring = dark_map(lambda az, el: el < 20.0)
    assert ring.blocked_diffuse(0.0, 180.0) == pytest.approx(np.sin(np.radians(20.0)) ** 2, abs=0.002)
    south = dark_map(lambda az, el: (np.abs(az - 180.0) < 40.0) & (el < 30.0))
    assert south.blocked_diffuse(40.0, 180.0) > 3.0 * south.blocked_diffuse(40.0, 0.0)
    assert open_sky(52.0).blocked_diffuse(35.0, 180.0) == 0.0


def test_shade_takes_the_beam_and_its_part_of_the_sky() -> None:
    physics = tables()
    table, share = physics.power_w[SUBJECT], physics.beam_share[SUBJECT]
    dark = dark_map(lambda az, el: el < 90.0)
    assert shaded(table, share, open_sky(52.0), physics.sun, blocked_diffuse=0.0) == pytest.approx(table)
    assert shaded(table, share, dark, physics.sun, blocked_diffuse=0.0) == pytest.approx(table * (1.0 - share))
    half = shaded(table, share, open_sky(52.0), physics.sun, blocked_diffuse=0.5)
    assert half == pytest.approx(table * (share + 0.5 * (1.0 - share)))


def test_share_of_the_beam_in_the_tables() -> None:
    """Nothing of it under a closed sky, most of it at a cloudless noon, and the inverter's that of its strings."""
    physics = tables()
    share = physics.beam_share[SUBJECT]
    noon = int(physics.clear_w(SUBJECT).argmax())
    assert share[0].max() == 0.0
    assert 0.75 < share[CLEAR_NODE, noon] < 0.97
    assert np.all((share >= 0.0) & (share <= 1.0))
    assert physics.beam_share["inverter:inv1"] == pytest.approx(share)
    assert physics.part(slice(40, 50)).beam_share[SUBJECT].shape == (share.shape[0], 10)


def test_months_in_the_suns_path_by_hemisphere() -> None:
    south = dark_map(lambda az, el: (np.abs(az - 180.0) < 30.0) & (el < 20.0))
    assert south.months_in_sun_path() == (1, 2, 10, 11, 12)
    north = dark_map(lambda az, el: ((az < 30.0) | (az > 330.0)) & (el < 30.0), latitude=-40.0)
    assert {6, 7} <= set(north.months_in_sun_path()) <= {4, 5, 6, 7, 8}


def test_leaves_in_the_south_come_half_a_year_later_and_never_in_the_tropics() -> None:
    days = np.array([20.0, 200.0])
    assert leaf_share(days, 52.0).tolist() == [0.0, 1.0]
    assert leaf_share(days, -35.0).tolist() == [1.0, 0.0]
    assert leaf_share(days, 10.0).tolist() == [0.5, 0.5]


def test_cells_hold_their_own_middles_and_any_turn_of_the_azimuth() -> None:
    assert np.array_equal(cell_of(CELL_AZIMUTH, CELL_ELEVATION), np.arange(CELLS))
    assert np.array_equal(cell_of(CELL_AZIMUTH - 360.0, CELL_ELEVATION), np.arange(CELLS))
    assert cell_of(np.array([10.0]), np.array([-3.0])) == cell_of(np.array([10.0]), np.array([1.0]))


def test_maps_and_looks_come_back_from_the_store(chimney: list[DayLooks]) -> None:
    built = build_map(chimney, latitude=52.0)
    again = SkyMap.from_values(json.loads(json.dumps(built.to_values())))
    assert again.leafy == pytest.approx(built.leafy, abs=0.0006)
    assert np.array_equal(again.leafy_days, built.leafy_days)
    assert np.array_equal(again.bare_frozen, built.bare_frozen)
    assert again.to_values() == built.to_values()
    one = chimney[150]
    stored = DayLooks.from_values(json.loads(json.dumps(one.to_values())))
    assert stored.day == one.day
    assert np.array_equal(stored.cell, one.cell)
    assert stored.transmittance == pytest.approx(one.transmittance, abs=0.0006)


def test_a_map_of_another_version_is_refused() -> None:
    values = open_sky(52.0).to_values() | {"version": 99}
    with pytest.raises(ValueError, match="a sky map of version 99, expected 1"):
        SkyMap.from_values(values)
