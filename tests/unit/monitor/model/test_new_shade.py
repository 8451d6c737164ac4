"""What newly stands before the sky is found by days that are dark in the same hours; clouds, fog and limits are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.readings import Mask
from monitor.model.looks import LooksInARow
from monitor.model.new_shade import NewShade, find_new_shade, known_sky
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELLS, cell_of
from monitor.model.skymap import open_sky
from tests.unit.monitor.model.made_looks import FIRST_DAY, LATITUDE, broken, clear, closed, house, looks_of, mixed

EAST = house(100.0, 140.0, 27.5)
STRONG, WEAK = 11.0, 9.0  # what the detector reports, and what it surely does not


def found(looks: LooksInARow, latitude: float = LATITUDE) -> NewShade | None:
    return find_new_shade(looks, np.ones(looks.day.size, dtype=bool), latitude)


def strength(looks: LooksInARow) -> float:
    shade = found(looks)
    return 0.0 if shade is None else shade.strength


@pytest.mark.parametrize("seed", range(4))
def test_a_house_is_found_where_it_stands_and_since_when(seed: int) -> None:
    shade = found(looks_of(mixed(60, seed), built=EAST, since=10))
    assert shade is not None
    assert shade.strength > STRONG
    assert (shade.azimuth_from_deg + shade.azimuth_to_deg) / 2.0 == pytest.approx(120.0, abs=8.0)
    assert shade.top_deg == pytest.approx(27.5, abs=2.5)
    assert shade.first_day - FIRST_DAY == pytest.approx(10, abs=6)
    assert set(shade.days) <= set(range(shade.first_day, FIRST_DAY + 60))


def test_five_clear_days_among_closed_ones_are_enough() -> None:
    fortnight = [closed, clear, closed, clear, closed, closed, clear, broken, closed, clear, closed, clear]
    assert strength(looks_of([*mixed(40), *fortnight], built=EAST, since=40)) > STRONG
    assert strength(looks_of([*mixed(40), *fortnight])) < WEAK


def test_a_crown_that_lets_a_part_of_the_light_through_is_found() -> None:
    assert strength(looks_of(mixed(60), built=EAST, since=20, through=0.4)) > STRONG


@pytest.mark.parametrize("seed", range(8))
def test_weather_alone_is_no_shade(seed: int) -> None:
    assert strength(looks_of(mixed(75, seed))) < WEAK


def test_closed_skies_for_a_month_are_no_shade() -> None:
    assert strength(looks_of([*mixed(45), *[closed] * 30])) < WEAK


def test_mornings_in_fog_that_lifts_at_any_hour_are_no_shade() -> None:
    def foggy(count: int, rng: np.random.Generator) -> np.ndarray:
        lifts = int(rng.integers(0, count // 2))
        return np.where(np.arange(count) < lifts, closed(count, rng), clear(count, rng))

    assert strength(looks_of([*mixed(40), *[foggy, closed, foggy] * 10])) < STRONG


def test_bright_hours_that_a_limit_hides_do_not_make_the_dull_ones_shade() -> None:
    """Around noon only dull looks are left, since bright ones are at the inverter's limit."""
    looks = looks_of(mixed(75), without=lambda cells, seen: (np.abs(CELL_AZIMUTH[cells] - 180.0) < 35.0) & (seen > 0.7))
    assert strength(looks) < WEAK


def test_what_was_never_seen_open_is_not_new() -> None:
    looks = looks_of(mixed(60), built=EAST)
    shade = find_new_shade(looks, ~EAST[looks.cell], LATITUDE)
    assert shade is None or shade.strength < WEAK


def test_a_house_in_the_south_of_the_world_is_found_too() -> None:
    east = house(40.0, 80.0, 32.5)
    shade = found(looks_of(mixed(60), built=east, since=20, latitude=-35.0), latitude=-35.0)
    assert shade is not None
    assert shade.strength > STRONG
    assert (shade.azimuth_from_deg + shade.azimuth_to_deg) / 2.0 == pytest.approx(60.0, abs=10.0)


def test_a_box_holds_cells_across_north() -> None:
    box = NewShade(340.0, 20.0, 30.0, 0, 12.0, np.zeros(0, dtype=np.int64))
    inside = box.holds(cell_of(np.array([350.0, 10.0, 30.0, 350.0]), np.array([10.0, 25.0, 10.0, 40.0])))
    assert inside.tolist() == [True, True, False, False]


def seen_open(cells: Mask, *, leafy: bool = True) -> dict[str, np.ndarray]:
    none = np.zeros(CELLS, dtype=bool)
    days = np.where(cells, 9, 0)
    return {
        "leafy_frozen": cells if leafy else none, "bare_frozen": none if leafy else cells,
        "leafy_days": days if leafy else 0 * days, "bare_days": 0 * days if leafy else days,
    }  # fmt: skip


def test_open_sky_low_down_opens_what_is_above_it() -> None:
    low = (CELL_ELEVATION > 10.0) & (CELL_ELEVATION < 15.0) & (np.abs(CELL_AZIMUTH - 180.0) < 30.0)
    known = known_sky(replace(open_sky(LATITUDE), **seen_open(low)))
    high, beside, lower = cell_of(np.array([180.0, 120.0, 180.0]), np.array([40.0, 40.0, 5.0]))
    assert known.leafy[high]
    assert known.bare[high]
    assert not known.bare[beside]
    assert not known.bare[lower]


def test_open_sky_between_bare_branches_says_nothing_of_summer() -> None:
    known = known_sky(replace(open_sky(LATITUDE), **seen_open(np.ones(CELLS, dtype=bool), leafy=False)))
    assert known.bare.all()
    assert not known.leafy.any()


def test_the_edge_of_what_always_stood_there_is_in_doubt() -> None:
    every = np.ones(CELLS, dtype=bool)
    through = np.where(EAST, 0.1, 1.0)
    known = known_sky(replace(open_sky(LATITUDE), **seen_open(every), leafy=through, bare=through))
    inside, above, far = cell_of(np.array([120.0, 120.0, 120.0]), np.array([20.0, 28.0, 34.0]))
    assert known.doubtful[inside]
    assert known.doubtful[above]
    assert not known.doubtful[far]
    assert not known.leafy[above]
    assert known.leafy[far]


def test_cells_that_some_days_have_not_decided_leave_their_surroundings_in_doubt() -> None:
    every = np.ones(CELLS, dtype=bool)
    fresh = house(172.0, 182.0, 20.0)
    seen = seen_open(every & ~fresh) | {"leafy_days": np.full(CELLS, 2)}
    known = known_sky(replace(open_sky(LATITUDE), **seen))
    (beside,) = cell_of(np.array([186.0]), np.array([16.0]))
    assert not known.leafy[beside]
