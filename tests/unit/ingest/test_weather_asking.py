"""What leaves the house when weather is asked for: a rounded place, and days that are not there yet."""

from __future__ import annotations

import pytest

from ingest.weather.asking import MOST_DAYS, Days, Spot, Wish, cell_of, days_to_ask, spot_of

WISH = Wish(history_days=60, again_days=10, earliest=0)
LAST = 20_000


def test_a_place_leaves_the_house_to_a_tenth_of_a_degree() -> None:
    assert spot_of(52.1234, -2.3456) == Spot(52.1, -2.3)
    assert spot_of(-33.8688, 151.2093) == Spot(-33.9, 151.2)
    assert str(spot_of(-0.04, 0.01)) == "Spot(latitude=0.0, longitude=0.0)"


@pytest.mark.parametrize(
    ("grids", "same", "other"),
    [
        (((1.0, 1.0, 0.0),), [(52.0, -2.9), (52.9, -2.1)], (51.9, -2.1)),
        (((1.0, 1.0, 0.0),), [(-33.9, 151.2), (-33.1, 151.9)], (-34.1, 151.2)),
        (((0.25, 0.25, 0.5),), [(52.0, -2.3), (52.1, -2.2)], (52.2, -2.3)),
        (((0.1, 0.1, 0.5),), [(0.3, 0.7)], (0.4, 0.7)),
        (((1.0, 1.0, 0.0), (0.5, 0.625, 0.5)), [(52.3, -2.4), (52.6, -2.3)], (52.1, -2.4)),
    ],
)
def test_places_share_a_cell_of_every_grid(
    grids: tuple[tuple[float, float, float], ...], same: list[tuple[float, float]], other: tuple[float, float]
) -> None:
    cells = {cell_of(Spot(*place), grids) for place in same}
    assert len(cells) == 1
    assert cell_of(Spot(*other), grids) not in cells


def test_every_tenth_of_a_degree_is_a_cell_of_its_own_on_a_grid_of_tenths() -> None:
    cells = {cell_of(spot_of(tenth / 10, 0.0), ((0.1, 0.1, 0.5),)) for tenth in range(-900, 901)}
    assert len(cells) == 1801


@pytest.mark.parametrize(
    ("stored", "wish", "expected"),
    [
        ([], WISH, Days(LAST - 59, LAST)),  # the history
        ([], Wish(60, 10, LAST - 5), Days(LAST - 5, LAST)),  # of a young site
        ([], Wish(60, 10, LAST + 1), None),  # of one that is not there yet
        (range(LAST - 59, LAST + 1), WISH, Days(LAST - 9, LAST)),  # only what may still be corrected
        (range(LAST - 59, LAST - 6), WISH, Days(LAST - 16, LAST)),  # the service is a week behind
        (range(LAST - 200, LAST - 100), WISH, Days(LAST - 110, LAST)),  # after an outage
        (range(LAST - 2000, LAST - 1000), WISH, Days(LAST + 1 - MOST_DAYS, LAST)),  # after a very long one
        (range(LAST - 20, LAST + 1), WISH, Days(LAST - 59, LAST)),  # history_days was raised
        ([*range(LAST - 59, LAST - 50), *range(LAST - 30, LAST)], WISH, Days(LAST - 10, LAST)),  # a hole that stays
        (range(LAST - 59, LAST + 3), WISH, Days(LAST - 9, LAST)),  # a clock that was set back
    ],
)
def test_only_what_is_missing_or_provisional_is_asked_for(stored: range, wish: Wish, expected: Days | None) -> None:
    assert days_to_ask(list(stored), wish, LAST) == expected
