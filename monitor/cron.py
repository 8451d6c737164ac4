"""Five-field cron lines as people know them, as triggers of the scheduling library."""

from __future__ import annotations

import re
from datetime import tzinfo

from apscheduler.triggers.cron import CronTrigger

# cron counts Sunday as 0 and 7; the library counts Monday as 0. Names mean the same in both.
_DAYS = ("sun", "mon", "tue", "wed", "thu", "fri", "sat", "sun")


def cron_trigger(line: str, zone: tzinfo) -> CronTrigger:
    """Return the trigger of a five-field cron line in a time zone; raise ValueError with what was expected."""
    fields = line.split()
    if len(fields) != 5:
        raise ValueError("expected five fields: minute hour day-of-month month day-of-week")
    if fields[2] != "*" and fields[4] != "*":
        raise ValueError("expected * for day-of-month or for day-of-week: readers disagree on what both together mean")
    try:
        fields[4] = re.sub(r"(?<![/\d])\d+", lambda m: _DAYS[int(m.group())], fields[4])
        return CronTrigger.from_crontab(" ".join(fields), timezone=zone)
    except (ValueError, IndexError) as error:
        raise ValueError(f"expected a cron line such as 30 2 * * *: {error}") from None
