"""When an inverter was held back: what it made then says nothing about its strings."""

from __future__ import annotations

import numpy as np

from ingest.readings import Mask
from monitor.detect.night import SiteNight

_AT_RATING = 0.97


def held_back(night: SiteNight, inverter: str) -> Mask:
    """Intervals of the day in which an inverter (by its id) worked at a limit, shape (T,)."""
    unit = night.units.get(f"inverter:{inverter}")
    if unit is None:
        return np.zeros(night.starts.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        return np.asarray(unit.power_w >= _AT_RATING * unit.rated_w)
