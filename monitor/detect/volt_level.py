"""Voltage of strings that have no like on their plane: beside the model, and beside strings of other planes."""

from __future__ import annotations

import numpy as np

from monitor.config.models import String
from monitor.detect.held import held_back
from monitor.detect.night import SiteNight
from monitor.detect.raised_volts import air_of, volts_over_model
from monitor.model.middle import median

_LEAST_INTERVALS = 6


def observe_volt_level(night: SiteNight) -> dict[str, dict[str, float]]:
    """Note the voltage of strings that no string of the same plane can be laid beside.

    Traits, natural logarithms: `volt_mid`, the middle of voltage over modelled voltage while nothing held the inverter
    back and nothing known stood before the sun; and `volt_roof`, the same less the middle of the site's other strings.

    Notes
    -----
    Voltage hardly depends on the light, so strings of an east and a west roof differ by some thousandths from day to
    day; a bypassed module part of a string of ten modules takes 3 % of it.
    """
    if night.open_physics is None:
        return {}
    air = air_of(night)
    levels = {}
    for string in night.site.string:
        over = volts_over_model(night, string, air)
        if over is None:
            continue
        told = over[~np.isnan(over) & ~held_back(night, string.inverter) & night.unshaded(f"string:{string.id}")]
        if told.size >= _LEAST_INTERVALS:
            levels[string.id] = median(told)
    seen = {}
    for string in night.site.string:
        if string.id in levels and not _has_like(night, string):
            traits = {"volt_mid": levels[string.id]}
            others = [level for name, level in levels.items() if name != string.id]
            if others:
                traits["volt_roof"] = levels[string.id] - median(np.array(others))
            seen[f"string:{string.id}"] = traits
    return seen


def _has_like(night: SiteNight, string: String) -> bool:
    """Whether a string of the same plane has a voltage, too."""
    return any(
        s.id != string.id and s.plane == string.plane and night.on_grid(f"string:{s.id}", "dc_voltage") is not None
        for s in night.site.string
    )
