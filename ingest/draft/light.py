"""The column that follows the light, by which a clock can be held against the sun."""

from __future__ import annotations

import numpy as np

from ingest.draft.rows import Rows
from ingest.draft.words import read_name
from ingest.readings import Values

_LIGHT = ("irradiance", "current", "power", "voltage")


def find_light(table: Rows) -> Values | None:
    """The column that follows the light by its numbers, and most closely by its name."""
    best: tuple[int, Values] | None = None
    for name, all_values in table.values.items():
        values = all_values[table.rows]
        known = values[~np.isnan(values)]
        if known.size < 16 or known.max() <= 0:
            continue
        course = np.diff(known)
        lit = float(np.mean(known > 0.005 * np.quantile(known, 0.995)))
        if not 0.1 < lit < 0.9 or np.count_nonzero(course < 0) < 0.1 * np.count_nonzero(course):
            continue
        says = read_name(name)
        dimensions = says.dimensions | ({"voltage"} if says.unit == "V" else set())
        rank = min((_LIGHT.index(d) for d in dimensions if d in _LIGHT), default=len(_LIGHT))
        if not says.says & {"import", "export", "battery", "house", "charger", "diverter"}:
            best = (rank, values) if best is None or rank < best[0] else best
    return best[1] if best is not None else _counted_light(table)


def _counted_light(table: Rows) -> Values | None:
    """The steps of a register that only rises."""
    for all_values in table.values.values():
        values = all_values[table.rows]
        if np.isnan(values).any() or values.size < 48:
            continue
        steps: Values = np.diff(values, prepend=values[0])
        if np.all(steps >= 0) and 0.1 < np.mean(steps > 0) < 0.9:
            return steps
    return None
