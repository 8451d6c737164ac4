"""Rows of a dump to polls: what was read of one unit within a few seconds belongs together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Seconds
from ingest.registers.words import Numbers


@dataclass(frozen=True, slots=True)
class Polls:
    """The poll of every row, and each poll's unit and time; polls are in order of unit and time."""

    of_row: Numbers
    units: Numbers
    times: Seconds


def group_polls(units: Numbers, times: Seconds, addresses: Numbers, *, tolerance_s: int) -> Polls:
    """Gather the rows of one unit whose times are at most `tolerance_s` after the poll's first, which is its time.

    A register that comes again with another time begins a new poll, so two polls never mix. Rows of the same time
    stay together.
    """
    order = np.lexsort((times, units))
    units, times, addresses = units[order], times[order], addresses[order]
    begins = np.ones(order.size, bool)
    begins[1:] = (np.diff(units) != 0) | (np.diff(times) > tolerance_s)
    for first, end in _mixed(begins, times, addresses, tolerance_s):
        begins[first:end] = _split(times[first:end], addresses[first:end], tolerance_s)
    of_row = np.empty(order.size, np.int64)
    of_row[order] = np.cumsum(begins) - 1
    return Polls(of_row, units[begins], times[begins])


def _mixed(begins: Mask, times: Seconds, addresses: Numbers, tolerance_s: int) -> list[tuple[int, int]]:
    """Runs of rows that are more than one poll: too long, or with a register at two times."""
    starts = np.flatnonzero(begins)
    ends = np.append(starts[1:], begins.size)
    span = times[ends - 1] - times[starts] if starts.size else np.zeros(0, np.int64)
    run = np.cumsum(begins) - 1
    rows = np.flatnonzero(span[run] > 0)
    order = rows[np.lexsort((times[rows], addresses[rows], run[rows]))]
    again = (np.diff(run[order]) == 0) & (np.diff(addresses[order]) == 0) & (np.diff(times[order]) > 0)
    mixed = span > tolerance_s
    mixed[run[order[1:][again]]] = True
    return list(zip(starts[mixed].tolist(), ends[mixed].tolist(), strict=True))


def _split(times: Seconds, addresses: Numbers, tolerance_s: int) -> Mask:
    """Where polls begin in a run of rows in order of time."""
    begins = np.zeros(times.size, bool)
    moments = np.flatnonzero(np.append(True, np.diff(times) > 0))
    seen: set[int] = set()
    poll_time: int | None = None
    for first, end in zip(moments.tolist(), [*moments[1:].tolist(), times.size], strict=True):
        here, now = set(addresses[first:end].tolist()), int(times[first])
        if poll_time is None or now - poll_time > tolerance_s or seen & here:
            begins[first], poll_time, seen = True, now, here
        else:
            seen |= here
    return begins
