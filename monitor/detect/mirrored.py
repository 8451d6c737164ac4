"""A drop that turns a string's lead over its like into the same lag: their columns may have changed places."""

from __future__ import annotations

import numpy as np

from monitor.detect.night import SiteNight
from monitor.model.middle import median

_BEFORE_DAYS, _LEAST_DAYS = 120, 5
# What is left of lead and lag together: so much of the change, or too little to be told from nothing.
_OF_CHANGE, _NOTHING = 0.25, 0.004
_CHANNELS = ("peer_mid", "volt", "amp")


def mirrored(night: SiteNight, subject: str, since: int) -> bool:
    """Whether power, voltage and current beside the only like string have all changed their sign and not their size.

    A loss leaves at least one of them where it was, or makes a lag that has nothing to do with the lead before. Only
    with two strings on a plane: of more, a string's likes do not change with it.

    Parameters
    ----------
    night : SiteNight
        The night, with the traits of `observe_siblings` in its series.
    subject : str
        A string.
    since : int
        First day after the change (ordinal).
    """
    string = next((s for s in night.site.string if f"string:{s.id}" == subject), None)
    if string is None or len([s for s in night.site.string if s.plane == string.plane]) != 2:
        return False
    told = [turned for trait in _CHANNELS if (turned := _turned(night, subject, trait, since)) is not None]
    return bool(told) and all(told)


def _turned(night: SiteNight, subject: str, trait: str, since: int) -> bool | None:
    days, values = night.series(subject, trait)
    before, after = values[(days < since) & (days >= since - _BEFORE_DAYS)], values[days >= since]
    if min(before.size, after.size) < _LEAST_DAYS:
        return None
    lead, lag = median(before), median(after)
    left = max(_OF_CHANGE * abs(lead - lag), 2.0 * _NOTHING if trait != _CHANNELS[0] else _NOTHING)
    return bool(np.abs(lead + lag) < left and (trait != _CHANNELS[0] or lead * lag < 0.0))
