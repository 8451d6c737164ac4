"""A string that reads less than before while its inverter gives what it gave: not the string, its sensor changed."""

from __future__ import annotations

import numpy as np

from monitor.detect.change import Prior
from monitor.detect.night import SiteNight
from monitor.detect.string_witnesses import PEER
from monitor.detect.weak import Weakness, change_since, look

# AC over the DC that strings read: a matter of load and temperature within a per cent or so.
_CONVERSION = Prior(sigma=0.01, wander=0.004, least=0.002)
_ODDS = 3.0


def misread(night: SiteNight, subject: str) -> Weakness | None:
    """The drop of a string beside its likes that AC does not bear out; None without one.

    A string that gives less takes as much from its inverter's AC, and the ratio of both stays. Where its sensor alone
    reads less, the ratio rises by the string's share of what it lacks.
    """
    string = next((s for s in night.site.string if f"string:{s.id}" == subject), None)
    if string is None or PEER.trait not in night.traits.get(subject, {}):
        return None
    inverter = f"inverter:{string.inverter}"
    if "ac_over_dc" not in night.traits.get(inverter, {}):
        return None
    weakness = look(night, subject, PEER)
    if weakness is None:
        return None
    change = change_since(night, inverter, "ac_over_dc", _CONVERSION, weakness.drop.since)
    if change is None:
        return None
    share = string.rated_w / sum(s.rated_w for s in night.site.strings_of(string.inverter))
    # Over a ramp the ratio has risen by half of what it has come to.
    rise = -float(np.log(1.0 - share * (1.0 - np.exp(weakness.drop.mean_size))))
    return weakness if rise * (change[0] - 0.5 * rise) / change[1] ** 2 > _ODDS else None
