"""The time axis of a demo fleet: five-minute steps from one local midnight to another."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from monitor.demo.chance import Flags, Floats

STEP_S = 300
STEPS_PER_HOUR = 3600 // STEP_S
STEPS_PER_DAY = 24 * STEPS_PER_HOUR
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Span:
    """Local days first..last inclusive, in steps of five minutes of UTC."""

    first_day: date
    last_day: date
    zone: str

    @cached_property
    def starts(self) -> Whole:
        """UTC epoch seconds of the start of each step."""
        return np.arange(self._midnight(self.first_day), self._midnight(self.last_day + timedelta(days=1)), STEP_S)

    @cached_property
    def wall(self) -> Whole:
        """Seconds since 1970 as a clock on the wall shows them at the start of each step."""
        return self.wall_at(self.starts)

    @cached_property
    def day_index(self) -> Whole:
        """Local days since the first one, for each step."""
        return self.wall // 86400 - (self.first_day - date(1970, 1, 1)).days

    @cached_property
    def year_angle(self) -> Floats:
        """Time of the year of each step, 0 to 2 pi from 1 January."""
        return np.asarray(2.0 * np.pi * (self.starts / 86400.0 / 365.2425 % 1.0))

    @property
    def days(self) -> int:
        """Number of local days."""
        return (self.last_day - self.first_day).days + 1

    def __len__(self) -> int:
        return len(self.starts)

    def wall_at(self, seconds: Whole) -> Whole:
        """UTC epoch seconds to what the clock on the wall shows, as seconds since 1970."""
        local = pd.to_datetime(seconds, unit="s", utc=True).tz_convert(self.zone).tz_localize(None)
        return np.asarray(local.as_unit("s").asi8)

    def day(self, index: int) -> date:
        """The local day by its number."""
        return self.first_day + timedelta(days=int(index))

    def between(self, first: date, first_hour: float, last: date | None, last_hour: float = 24.0) -> Flags:
        """Steps from an hour of one local day until an hour of another (None: until the end)."""
        hour = (self.wall % 86400) / 3600.0
        begun = self.day_index * 24 + hour >= (first - self.first_day).days * 24 + first_hour
        if last is None:
            return np.asarray(begun)
        return np.asarray(begun & (self.day_index * 24 + hour < (last - self.first_day).days * 24 + last_hour))

    def _midnight(self, day: date) -> int:
        return int(datetime.combine(day, time.min, tzinfo=ZoneInfo(self.zone)).astimezone(UTC).timestamp())


def months_until(last_day: date, months: int, zone: str) -> Span:
    """The span of so many calendar months that ends with a day."""
    after = last_day + timedelta(days=1)
    first = (pd.Timestamp(after) - pd.DateOffset(months=months)).date()
    return Span(first, last_day, zone)
