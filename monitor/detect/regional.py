"""A unit beside its neighbours' roofs: the haze and the air that all share are no fault of one roof."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Seconds, Values
from monitor.detect.night import SiteNight
from monitor.model.history import SiteHistory
from monitor.model.middle import median

# What is shared on a day is what at least so many neighbours saw of it.
_SITES = 3
# A neighbour's own level is known from so many days; so many days back are told.
_LEAST_DAYS, _LOOK_BACK = 15, 240


@dataclass(frozen=True, slots=True)
class Shared:
    """A trait that neighbours share: whose (kinds of subjects), and how many days around a day, and values, tell."""

    of: str
    of_neighbours: str
    kinds: tuple[str, ...]
    around: int
    least: int


# Clear days are few, and haze lasts for days; every day has its air, which makes all voltages higher or lower.
SHARED = {
    "clear_beside": Shared("clear", "clear", ("inverter:", "string:"), 5, 6),
    "volt_beside": Shared("volt_mid", "volt_off", ("string:",), 0, _SITES),
}


def beside_neighbours(night: SiteNight, subject: str, trait: str) -> tuple[Seconds, Values]:
    """A unit's trait up to tonight, without what its neighbours' roofs share of it.

    Parameters
    ----------
    night : SiteNight
        The night, with what the neighbours have left behind up to the night before.
    subject : str
        A string or inverter.
    trait : str
        One of `SHARED`: `clear_beside` of `clear` (see `observe_outside`), `volt_beside` of `volt_mid` (see
        `observe_volt_level`).

    Returns
    -------
    days : array of shape (N,)
        Day ordinals, oldest first; days on which too few neighbours told are left out.
    values : array of shape (N,)
        The trait (a natural logarithm) less the median of the neighbours' departures from their own usual levels.

    Notes
    -----
    Turbidity, the error of a turbidity map, and the air's temperature are alike within some tens of kilometres; dirt,
    snow, shade and bypassed parts are a roof's own. The median keeps one bad neighbour from moving it.
    """
    shared = SHARED[trait]
    days, own = night.series(subject, shared.of)
    recent = days > night.day.toordinal() - _LOOK_BACK
    days, own = days[recent], own[recent]
    told = [part for history in night.beside if (part := _departures(history, shared, night.day.toordinal()))]
    if len(told) < _SITES or not days.size:
        return days[:0], own[:0]
    who = np.concatenate([np.full(part[0].size, number) for number, part in enumerate(told)])
    when, off = (np.concatenate([part[n] for part in told]) for n in (0, 1))
    order = np.argsort(when, kind="stable")
    who, when, off = who[order], when[order], off[order]
    first = np.searchsorted(when, days - shared.around, "left")
    past = np.searchsorted(when, days + shared.around, "right")
    common = np.full(days.shape, np.nan)
    for n, (begin, end) in enumerate(zip(first.tolist(), past.tolist(), strict=True)):
        if end - begin >= shared.least and np.unique(who[begin:end]).size >= _SITES:
            common[n] = median(off[begin:end])
    known = ~np.isnan(common)
    return days[known], own[known] - common[known]


def _departures(history: SiteHistory, shared: Shared, today: int) -> tuple[Seconds, Values] | None:
    """A neighbour's days of late and how far they lie off its own level; None where little is known of it."""
    subjects = [s for s in history.subjects() if s.startswith(shared.kinds)]
    series = [history.series(s, shared.of_neighbours) for s in subjects]
    if not series:
        return None
    days, values = max(series, key=lambda one: one[0].size)
    recent = (days > today - _LOOK_BACK - shared.around) & (days < today)
    if np.count_nonzero(recent) < _LEAST_DAYS:
        return None
    return days[recent], values[recent] - median(values[recent])
