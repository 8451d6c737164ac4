"""More AC than the measured DC can have given: then a string works although its readings say nothing."""

from __future__ import annotations

import numpy as np

from ingest.readings import Mask
from monitor.config.models import String
from monitor.detect.delivered import USUAL_EFFICIENCY
from monitor.detect.night import SiteNight

# No inverter gives more than it takes; readings of either side are off by up to some per cent (common practice).
_MOST_EFFICIENT = 1.06
_LEAST_INTERVALS = 4


def works_unseen(night: SiteNight, string: String, where: Mask) -> bool:
    """Whether the inverter delivered what this string should have given, although the string's readings are zero.

    Judged over some intervals of the day, by an inverter's own power and the DC power of all its strings.
    """
    unit, inverter = night.units[f"string:{string.id}"], night.units.get(f"inverter:{string.inverter}")
    strings = [night.units.get(f"string:{s.id}") for s in night.site.strings_of(string.inverter)]
    if inverter is None or any(s is None for s in strings):
        return False
    dc = np.sum([s.power_w for s in strings if s is not None], axis=0)
    known = where & ~np.isnan(dc) & ~np.isnan(inverter.power_w)
    if np.count_nonzero(known) < _LEAST_INTERVALS:
        return False
    made, taken = float(np.sum(inverter.power_w[known])), float(np.sum(dc[known]))
    missing = made / USUAL_EFFICIENCY - taken
    return made > _MOST_EFFICIENT * taken and missing > 0.5 * float(np.sum(unit.expected.low_w[known]))
