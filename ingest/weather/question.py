"""A question to a weather service."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from ingest.weather.asking import Days, Spot

_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Question:
    """Which place and days, of which service (`name`, for a person), at which step; `key` is empty where none is."""

    name: str
    spot: Spot
    days: Days
    url: str
    step_min: int
    key: str

    @property
    def first(self) -> date:
        """The first UTC day."""
        return _EPOCH + timedelta(self.days.first)

    @property
    def last(self) -> date:
        """The last UTC day."""
        return _EPOCH + timedelta(self.days.last)
