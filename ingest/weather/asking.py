"""What is asked of a weather service: a place no more exact than the service is of use, and days that are missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

DAY_S = 86_400
# What a service is told of a site is its place to a tenth of a degree: it resolves little more, and homes stay private.
_PLACES = 1
MOST_DAYS = 366  # of one request


@dataclass(frozen=True, slots=True)
class Spot:
    """A place as a service is told it [degrees]."""

    latitude: float
    longitude: float


@dataclass(frozen=True, slots=True)
class Days:
    """UTC days since 1970-01-01, both included."""

    first: int
    last: int

    def __or__(self, other: Days) -> Days:
        return Days(min(self.first, other.first), max(self.last, other.last))


@dataclass(frozen=True, slots=True)
class Wish:
    """How far back a source reaches at first, how many of the last days it fetches again, and the site's first day."""

    history_days: int
    again_days: int
    earliest: int


def spot_of(latitude: float, longitude: float) -> Spot:
    """A place to the precision that leaves the house."""
    return Spot(round(latitude, _PLACES) + 0.0, round(longitude, _PLACES) + 0.0)


def cell_of(spot: Spot, grids: Sequence[tuple[float, float, float]]) -> tuple[int, ...]:
    """The cell of a service's grids that a place lies in.

    A grid is its step of latitude, its step of longitude, and where in the step a cell begins: 0 where the cells lie
    between the multiples of the step, 0.5 where they lie around them.
    """
    return tuple(
        math.floor(degrees / step + shift + 1e-9)
        for by_latitude, by_longitude, shift in grids
        for degrees, step in ((spot.latitude, by_latitude), (spot.longitude, by_longitude))
    )


def days_to_ask(stored: Sequence[int], wish: Wish, last: int) -> Days | None:
    """The days to fetch up to `last`, where the days in `stored` are there already, in order; None if there are none.

    What is stored is not asked again but for the last days, which a service still corrects. After an outage the
    fetch goes back to where it stopped.
    """
    first = max(last + 1 - wish.history_days, wish.earliest)
    if stored and stored[0] <= first:
        first = max(min(stored[-1], last) + 1 - wish.again_days, wish.earliest, last + 1 - MOST_DAYS)
    return Days(first, last) if first <= last else None
