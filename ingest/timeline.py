"""Civil time and UTC: everything inside is UTC epoch seconds, and a local day is two instants."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from ingest.passes import Repeated, second_pass
from ingest.readings import Mask, Seconds, Values

_DAY = 86_400
_MARGIN = 2 * _DAY  # further than any offset from UTC


@dataclass(frozen=True, slots=True)
class ZoneTable:
    """A zone's clock changes: `offsets[k]` [s] holds until `changes[k]`, the last one for good."""

    changes: Seconds
    offsets: Seconds

    @property
    def walls(self) -> Seconds:
        """What the clock shows at each change before it is moved."""
        return self.changes + self.offsets[:-1]

    @property
    def jumps(self) -> Seconds:
        """By how much the clock is moved at each change: forward is positive."""
        return np.diff(self.offsets)


@dataclass(frozen=True, slots=True)
class Civil:
    """Civil times brought to UTC.

    `missing` marks times that the clock skipped in spring (their `utc` means nothing); `unsure` marks times of the
    repeated hour with nothing to tell which of its two passes they are of.
    """

    utc: Seconds
    missing: Mask
    unsure: Mask


def zone_of(name: str) -> tzinfo:
    """The zone of a name: an IANA name, UTC, or an offset such as +01:00 that holds all the year."""
    offset = re.fullmatch(r"([+-])(0\d|1[0-4]):([0-5]\d)", name)
    if offset is None:
        return ZoneInfo(name)
    east = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
    return timezone(-east if offset[1] == "-" else east)


def local_day(day: date, zone: tzinfo) -> tuple[int, int]:
    """First instant of a local day and of the next one: 23, 24 or 25 hours apart (or half an hour off)."""
    midnights = (datetime.combine(d, time.min, tzinfo=zone) for d in (day, day + timedelta(days=1)))
    start, end = (int(midnight.timestamp()) for midnight in midnights)
    return start, end


def to_local(utc: Seconds, zone: tzinfo) -> Seconds:
    """What the clock on the wall shows, as seconds since 1970-01-01 00:00 of that clock."""
    if not utc.size:
        return utc.copy()
    table = zone_table(zone, int(utc.min()), int(utc.max()))
    local: Seconds = utc + table.offsets[np.searchsorted(table.changes, utc, side="right")]
    return local


def to_utc(
    local: Seconds,
    zone: tzinfo,
    *,
    interval_s: int,
    groups: npt.NDArray[np.int64] | None = None,
    registers: Sequence[Values] = (),
) -> Civil:
    """Bring civil times to UTC; the repeated hour of autumn is told apart by the order of the rows, or by registers.

    `groups` numbers the independent sequences among the rows (the modules of a long table); None is one sequence.
    `registers` are cumulative readings of the same rows (NaN where there is none), asked where the order does not tell.
    """
    if not local.size:
        return Civil(local.copy(), np.zeros(0, bool), np.zeros(0, bool))
    table = zone_table(zone, int(local.min()) - _MARGIN, int(local.max()) + _MARGIN)
    walls = table.walls
    regime = np.searchsorted(walls, local, side="right")
    utc = local - table.offsets[regime]
    none = np.zeros(local.size, bool)
    if not walls.size:
        return Civil(utc, none, none)
    jumps = table.jumps
    last, following = np.maximum(regime - 1, 0), np.minimum(regime, walls.size - 1)
    missing = (regime > 0) & (local < walls[last] + jumps[last])
    repeated = (regime < walls.size) & (local >= walls[following] + jumps[following])
    if not repeated.any():
        return Civil(utc, missing, none)
    unsure = none.copy()
    for rows in _sequences(groups, local.size):
        for change in np.unique(following[rows][repeated[rows]]):
            inside = repeated[rows] & (following[rows] == change)
            overlap_s = -int(jumps[change])
            hour = Repeated(local[rows], utc[rows], inside, overlap_s, interval_s, [r[rows] for r in registers])
            second, doubtful = second_pass(hour)
            utc[rows] += np.where(second, overlap_s, 0)
            unsure[rows] |= doubtful
    return Civil(utc, missing, unsure)


def zone_table(zone: tzinfo, first: int, last: int) -> ZoneTable:
    """The clock changes of a zone between two instants (and a little beyond)."""
    years = [datetime.fromtimestamp(t, UTC).year for t in (first - _MARGIN, last + _MARGIN)]
    return _table_of_years(zone, years[0], years[1])


@lru_cache(maxsize=256)
def _table_of_years(zone: tzinfo, first_year: int, last_year: int) -> ZoneTable:
    start = int(datetime(first_year, 1, 1, tzinfo=UTC).timestamp())
    end = int(datetime(last_year + 1, 1, 1, tzinfo=UTC).timestamp())
    offsets, changes = [_offset(zone, start)], []
    for day in range(start, end, _DAY):
        after = _offset(zone, day + _DAY)
        if after != offsets[-1]:
            changes.append(_first_with(zone, after, day, day + _DAY))
            offsets.append(after)
    return ZoneTable(np.array(changes, np.int64), np.array(offsets, np.int64))


def _offset(zone: tzinfo, utc: int) -> int:
    offset = datetime.fromtimestamp(utc, zone).utcoffset()
    return int(offset.total_seconds()) if offset is not None else 0


def _first_with(zone: tzinfo, offset: int, before: int, after: int) -> int:
    """The instant in (before, after] from which an offset holds, by halving."""
    while after - before > 1:
        middle = (before + after) // 2
        if _offset(zone, middle) == offset:
            after = middle
        else:
            before = middle
    return after


def _sequences(groups: npt.NDArray[np.int64] | None, size: int) -> list[npt.NDArray[np.intp]]:
    if groups is None:
        return [np.arange(size)]
    order = np.argsort(groups, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(groups[order])) + 1)
