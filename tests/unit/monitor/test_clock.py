"""What day it is where."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.clock import day_number, iso, local_date, yesterday

LONDON, AUCKLAND = ZoneInfo("Europe/London"), ZoneInfo("Pacific/Auckland")


@pytest.mark.parametrize(
    ("utc", "zone", "day"),
    [
        (datetime(2025, 6, 8, 22, 59, 59, tzinfo=UTC), LONDON, date(2025, 6, 8)),
        (datetime(2025, 6, 8, 23, 0, tzinfo=UTC), LONDON, date(2025, 6, 9)),
        (datetime(2025, 6, 8, 12, 0, tzinfo=UTC), AUCKLAND, date(2025, 6, 9)),
        (datetime(2025, 3, 30, 0, 59, tzinfo=UTC), LONDON, date(2025, 3, 30)),
    ],
)
def test_local_days(utc: datetime, zone: ZoneInfo, day: date) -> None:
    seconds = int(utc.timestamp())
    assert local_date(seconds, zone) == day
    assert (day - yesterday(seconds, zone)).days == 1


def test_numbers_and_texts() -> None:
    assert day_number(date(1970, 1, 2)) == 1
    assert iso(0) == "1970-01-01T00:00:00+00:00"
    assert iso(None) is None
