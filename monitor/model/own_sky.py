"""The sky as a unit's own roof saw it, for times of which nobody else tells: an inverter's strings, clear windows.

Both speak of the unit itself. What dims all of a roof at once dims its strings, too, so they are asked last, and in
clear windows the gain that was learned is the reference, not the day's own level.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.gain import clear_cells
from monitor.model.ladder import Rung, Witness, carry, weighted_mean
from monitor.model.physics import CLEAR_NODE, Physics, at_index

# A clear window may lie so far from the learned level: haze, or something lost on the roof.
_WITHIN = 0.30
# The learned gain is the upper quartile of the days' clear windows. They scatter by 7 % with the haze (six roofs of
# half a year each), so the middle one lies 0.67 of that lower.
_HAZE, _MIDDLE = 0.07, 0.95
# Haze seldom takes more of a cloudless day. What is missing beyond that is no sky.
_THICKEST_HAZE = 0.85
# A power that hardly changes for an hour is held by something.
_HELD_STEPS, _HELD = 4, 0.005
# What a string told is good for two hours, for low suns and times without a word.
_CARRIED = 8


def clear_windows(
    physics: Physics, power_w: Mapping[str, Values], gains: Mapping[str, float], rated_w: Mapping[str, float]
) -> Mask:
    """Intervals that any unit of a site shows to be cloudless by the shape of its power; shape (T,).

    Parameters
    ----------
    physics : Physics
        Tables of the site on a grid of T intervals.
    power_w : mapping of arrays, shape (T,)
        Measured power of the units whose gain is learned [W].
    gains : mapping
        Their learned clear-sky gains.
    rated_w : mapping
        Their ratings [W].
    """
    seen = np.zeros(physics.starts.shape, dtype=bool)
    for subject, power in power_w.items():
        cloudless = gains[subject] * physics.clear_w(subject)
        seen |= clear_cells(power, cloudless, rated_w=rated_w[subject], within=_WITHIN)
    return seen


def held(power_w: Values) -> Mask:
    """Intervals of a power that stays within half a per cent for an hour; shape (T,)."""
    windows = np.lib.stride_tricks.sliding_window_view(power_w, _HELD_STEPS)
    top = windows.max(axis=1)
    with np.errstate(invalid="ignore"):
        flat = (top > 0.0) & (top - windows.min(axis=1) <= _HELD * top)
    padded = np.pad(flat, _HELD_STEPS - 1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, _HELD_STEPS).any(axis=1))


def unheard(physics: Physics, subject: str, told: Sequence[Rung]) -> Mask:
    """Daylight intervals of which none of some rungs tells a subject anything; shape (T,)."""
    silent = physics.clear_w(subject) > 0.0
    for rung in told:
        silent = silent & np.isnan(rung.power_w[subject])
    return np.asarray(silent)


def own_sky_rungs(
    physics: Physics, subject: str, *, silent: Mask, strings: Sequence[Witness], clear: Mask, limited: Mask
) -> list[Rung]:
    """What a unit's own roof tells of its sky where nobody else does.

    Parameters
    ----------
    physics : Physics
        Tables of the site on a grid of T intervals.
    subject : str
        `string:ID` or `inverter:ID`.
    silent : array of shape (T,)
        The intervals in question.
    strings : sequence of Witness
        The inverter's own strings. Below two they are none: one string and its inverter are the same measurement.
    clear : array of shape (T,)
        The clear windows of the site.
    limited : array of shape (T,)
        Intervals in which the unit was held at a level: there strings say nothing of the sky.
    """
    table = physics.power_w[subject]
    found = []
    heard = [w for w in strings if not np.isnan(w.index).all()]
    if len(strings) > 1 and heard:
        indices = np.stack([w.index for w in heard])
        indices = np.where(clear, np.maximum(indices, _THICKEST_HAZE), np.where(limited, np.nan, indices))
        weights = np.array([1.0 / w.sigma**2 for w in heard]) * _whole(heard, physics.clear.ghi)
        power, index = weighted_mean(at_index(table, indices), weights), weighted_mean(indices, weights)
        carried = carry(index, most=_CARRIED)
        power = np.where(silent, np.where(np.isnan(power), at_index(table, carried), power), np.nan)
        silent = silent & np.isnan(power)
        found.append(Rung("own_strings", {subject: power}, carried, min(w.sigma for w in heard)))
    if np.any(silent & clear):
        power = np.where(silent & clear, _MIDDLE * table[CLEAR_NODE], np.nan)
        found.append(Rung("own_windows", {subject: power}, np.where(silent & clear, _MIDDLE, np.nan), _HAZE))
    return found


def _whole(heard: Sequence[Witness], clear_ghi: Values) -> Values:
    """Weights of strings by how far their day stays behind that of the best: a weak string is not a darker sky."""
    seen = np.stack([w.index for w in heard]) * clear_ghi
    both = ~np.isnan(seen).any(axis=0)
    sums = seen[:, both].sum(axis=1)
    if not both.any() or sums.max() <= 0.0:
        return np.ones(len(heard))
    behind = np.log(np.maximum(sums / sums.max(), 1e-3))
    width = 1.5 * np.array([w.sigma for w in heard])
    # Weights of a Cauchy distribution, squared, as of neighbours that are out of line.
    return np.asarray((1.0 + (behind / width) ** 2) ** -2)
