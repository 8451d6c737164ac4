"""What a string's missing power is worth behind its inverter: in alternating current, and only while it has room."""

from __future__ import annotations

import numpy as np

from ingest.readings import Values
from monitor.detect.held import held_back
from monitor.detect.night import SiteNight

# Nominal efficiency of an inverter (Dobos, "PVWatts version 5 manual", NREL/TP-6A20-62641, 2014).
USUAL_EFFICIENCY = 0.96


def delivered_w(night: SiteNight, string: str, missing_w: Values) -> Values:
    """What an inverter would have delivered of the power that one of its strings lacks.

    Parameters
    ----------
    night : SiteNight
        The day.
    string : str
        The string's id.
    missing_w : array of shape (T,)
        Direct current power that the string lacks [W], not negative.

    Returns
    -------
    array of shape (T,)
        Alternating current power [W]: nothing while the inverter was held back by its rating, a limit or the grid,
        and never more than what it made leaves to its rating.
    """
    inverter = next(s.inverter for s in night.site.string if s.id == string)
    alternating = USUAL_EFFICIENCY * missing_w
    unit = night.units.get(f"inverter:{inverter}")
    if unit is None:
        return np.asarray(alternating)
    room = np.where(np.isnan(unit.power_w), np.inf, np.maximum(unit.rated_w - unit.power_w, 0.0))
    return np.asarray(np.minimum(alternating, np.where(held_back(night, inverter), 0.0, room)))


def observe_room(night: SiteNight) -> dict[str, dict[str, float]]:
    """Trait `felt_kwh` of strings and inverters: the part of the day's expected energy of which a loss would be felt.

    In alternating current; hours in which the inverter was held back are left out.
    """
    strings = {f"string:{s.id}": s.inverter for s in night.site.string}
    seen = {}
    for subject, unit in night.units.items():
        inverter = strings.get(subject, subject.partition(":")[2])
        factor = USUAL_EFFICIENCY if subject in strings else 1.0
        free = ~held_back(night, inverter)
        seen[subject] = {"felt_kwh": factor * night.energy_kwh(unit.expected.power_w, free)}
    return seen
