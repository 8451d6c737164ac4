"""Sites in groups that lie together, so that a night of a large fleet fits into memory."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.nightly.cases import Case


def groups_of(cases: Sequence[Case], most: int) -> list[list[Case]]:
    """Cut cases into groups of at most so many, again and again across the wider side of where they lie."""
    if len(cases) <= most:
        return [list(cases)] if cases else []
    north = np.array([c.site.site.latitude for c in cases])
    east = np.array([c.site.site.longitude for c in cases]) * np.cos(np.radians(np.median(north)))
    along = north if np.ptp(north) >= np.ptp(east) else east
    order = np.argsort(along, kind="stable")
    half = len(cases) // 2
    return [group for part in (order[:half], order[half:]) for group in groups_of([cases[i] for i in part], most)]
