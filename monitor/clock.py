"""The clock of this program, read at the edge and passed in; and what day it is somewhere."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, tzinfo

Clock = Callable[[], int]  # UTC epoch seconds


def system_clock() -> int:
    """UTC epoch seconds of the machine's clock."""
    return int(time.time())


def moment(seconds: int) -> datetime:
    """An aware UTC datetime of epoch seconds."""
    return datetime.fromtimestamp(seconds, UTC)


def local_date(seconds: int, zone: tzinfo) -> date:
    """The calendar day that epoch seconds fall on in a zone."""
    return datetime.fromtimestamp(seconds, zone).date()


def yesterday(seconds: int, zone: tzinfo) -> date:
    """The last calendar day that is over in a zone."""
    return local_date(seconds, zone) - timedelta(days=1)


def day_number(day: date) -> int:
    """Days since 1970-01-01."""
    return (day - date(1970, 1, 1)).days


def iso(seconds: int | None) -> str | None:
    """Epoch seconds as ISO 8601 in UTC, with its offset."""
    return None if seconds is None else moment(seconds).isoformat()
