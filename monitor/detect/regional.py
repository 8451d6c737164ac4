"""Cloudless hours beside those of the neighbours: the haze that all share is no fault of one roof."""

from __future__ import annotations

import numpy as np

from ingest.readings import Seconds, Values
from monitor.detect.night import SiteNight
from monitor.model.history import SiteHistory
from monitor.model.middle import median

TRAIT = "clear_beside"
# Haze of a day is what at least so many neighbours, in so many clear days, saw within so many days around it.
_SITES, _VALUES, _AROUND = 3, 6, 5
# A neighbour's own level is known from so many clear days; so many days back are told.
_LEAST_CLEAR, _LOOK_BACK = 15, 240


def clear_beside(night: SiteNight, subject: str) -> tuple[Seconds, Values]:
    """A unit's `clear` (see `observe_outside`) up to tonight, without what its neighbours' roofs share of it.

    Parameters
    ----------
    night : SiteNight
        The night, with what the neighbours have left behind up to the night before.
    subject : str
        A string or inverter.

    Returns
    -------
    days : array of shape (N,)
        Day ordinals, oldest first; days on which too few neighbours saw a clear sky are left out.
    values : array of shape (N,)
        Natural logarithm of measured over cloudless power, less the median of the neighbours' departures from their
        own usual levels around that day.

    Notes
    -----
    Turbidity, and the error of a turbidity map, are alike within some tens of kilometres; dirt, snow and shade are a
    roof's own. The median keeps one bad neighbour from moving it.
    """
    days, own = night.series(subject, "clear")
    recent = days > night.day.toordinal() - _LOOK_BACK
    days, own = days[recent], own[recent]
    told = [part for history in night.beside if (part := _departures(history, night.day.toordinal())) is not None]
    if len(told) < _SITES or not days.size:
        return days[:0], own[:0]
    who = np.concatenate([np.full(part[0].size, number) for number, part in enumerate(told)])
    when, off = (np.concatenate([part[n] for part in told]) for n in (0, 1))
    order = np.argsort(when, kind="stable")
    who, when, off = who[order], when[order], off[order]
    first, past = np.searchsorted(when, days - _AROUND, "left"), np.searchsorted(when, days + _AROUND, "right")
    haze = np.full(days.shape, np.nan)
    for n, (begin, end) in enumerate(zip(first.tolist(), past.tolist(), strict=True)):
        if end - begin >= _VALUES and np.unique(who[begin:end]).size >= _SITES:
            haze[n] = median(off[begin:end])
    known = ~np.isnan(haze)
    return days[known], own[known] - haze[known]


def _departures(history: SiteHistory, today: int) -> tuple[Seconds, Values] | None:
    """A neighbour's clear days of late and how far they lie off its own level; None where little is known of it."""
    series = [history.series(s, "clear") for s in history.subjects() if s.startswith(("inverter:", "string:"))]
    if not series:
        return None
    days, values = max(series, key=lambda one: one[0].size)
    recent = (days > today - _LOOK_BACK - _AROUND) & (days < today)
    if np.count_nonzero(recent) < _LEAST_CLEAR:
        return None
    return days[recent], values[recent] - median(values[recent])
