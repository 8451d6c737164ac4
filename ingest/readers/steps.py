"""Notes of rows that are further apart, or closer together, than the interval that is declared."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from ingest.readers.assemble import Series
from ingest.readings import Seconds

_FEWEST = 6  # equal steps in a row that are no chance
_JITTER_S = 10
_SAME = 0.1


def step_notes(series: Sequence[Series], interval_s: int) -> tuple[str, ...]:
    """From when on the rows keep another step than the declared one; nothing where they keep to it."""
    distinct = {id(one.times): one.times for one in series}
    changes = [change for times in distinct.values() for change in _other_steps(times, interval_s)[:1]]
    if not changes:
        return ()
    begin, step_s = min(changes)
    when = datetime.fromtimestamp(begin, UTC).strftime("%Y-%m-%dT%H:%MZ")
    return (f"from {when} on the rows are {_said(step_s)} apart; interval_minutes declares {_said(interval_s)}",)


def _other_steps(times: Seconds, interval_s: int) -> list[tuple[int, int]]:
    """Beginnings and steps of stretches with another step than the declared one."""
    axis = times if np.all(np.diff(times) > 0) else np.unique(times)
    steps = np.diff(axis)
    odd = np.abs(steps - interval_s) > max(_SAME * interval_s, _JITTER_S)
    if np.count_nonzero(odd) < _FEWEST:
        return []
    steps = np.round(steps / _JITTER_S).astype(np.int64) * _JITTER_S
    edges = np.flatnonzero(np.diff(steps, prepend=-1, append=-1))
    return [
        (int(axis[first]), int(steps[first]))
        for first, after in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        if after - first >= _FEWEST and odd[first]
    ]


def _said(seconds: int) -> str:
    return f"{seconds // 60} minutes" if seconds % 60 == 0 else f"{seconds} seconds"
