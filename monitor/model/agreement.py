"""Channels that tell of the same energy, held against each other: units that jumped, strings whose logs say nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.quality import mute_by_balance, unit_factor
from ingest.readings import Mask, Values
from monitor.model.grid import STEP_S

# So much energy has to be there before levels are compared: hours of full power, and grid intervals.
_LEAST_HOURS, _LEAST_INTERVALS = 0.5, 8
_EFFICIENCY = 0.96
# A power that is above its rating by this is wrong; one that is below a factor's other side by ten or more is, too,
# where that one goes beyond half of the rating without leaving it.
_TOO_MUCH = 1.1
_SURE_FACTOR, _HIGH = 9.0, 0.5
_BRIGHT, _SAME_SHAPE, _STILL_SHAPED = 0.03, 0.95, 0.5


@dataclass(frozen=True, slots=True)
class Telling:
    """One channel that tells an inverter's energy: name of the channel's kind, and power on the grid [W]."""

    name: str
    power_w: Values


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A channel whose level is off by a factor of units; `believed` is what it was held against."""

    name: str
    factor: float
    believed: str


def disagreements(told: Sequence[Telling], rated_w: float) -> list[Disagreement]:
    """Channels of an inverter whose day's level is a factor of units off.

    Parameters
    ----------
    told : sequence of Telling
        Powers of one day, on the same grid; NaN is a gap.
    rated_w : float
        The inverter's rating [W].

    Returns
    -------
    list of Disagreement
        Empty where the channels agree, and where nobody can say which of two is wrong.
    """
    if len(told) < 2:
        return []
    common = np.asarray(~np.isnan([one.power_w for one in told]).any(axis=0))
    if np.count_nonzero(common) < _LEAST_INTERVALS:
        return []
    energy = np.array([one.power_w[common].sum() for one in told]) * STEP_S / 3.6e6
    if energy.max() < _LEAST_HOURS * rated_w / 1000.0:
        return []
    if len(told) > 2:
        middle = int(np.argsort(energy)[(len(told) - 1) // 2 if len(told) % 2 else _nearer_pair(energy)])
    elif (low_or_high := _wrong_one(told, energy, common, rated_w)) is not None:
        middle = 1 - low_or_high
    else:
        return []
    return [
        Disagreement(one.name, factor, told[middle].name)
        for i, one in enumerate(told)
        if (factor := unit_factor(float(energy[i]), float(energy[middle]))) is not None
    ]


def _nearer_pair(energy: Values) -> int:
    """Of an even number of energies in order, the middle one that has the nearer neighbour outwards."""
    ordered = np.log(np.maximum(np.sort(energy), 1e-9))
    half = energy.size // 2
    return half - 1 if ordered[half - 1] - ordered[half - 2] <= ordered[half + 1] - ordered[half] else half


def _wrong_one(told: Sequence[Telling], energy: Values, common: Mask, rated_w: float) -> int | None:
    """Which of two is wrong: the one beyond the rating, or the one far below another that behaves."""
    low, high = int(np.argmin(energy)), int(np.argmax(energy))
    peak = float(told[high].power_w[common].max())
    if peak > _TOO_MUCH * rated_w:
        return high
    far = energy[low] * _SURE_FACTOR < energy[high]
    return low if far and peak > _HIGH * rated_w else None


def in_thousandths(power_w: Values, reference_w: Values, rated_w: float, *, known_before: bool) -> bool:
    """Whether a day's power is a thousandth of what it should be, and follows the sun: kilowatts taken for watts.

    Parameters
    ----------
    power_w, reference_w : array of shape (T,)
        One day on the same grid [W]; NaN is a gap.
    rated_w : float
        Rating [W].
    known_before : bool
        It was so on the last day; then the level need not be shown again, only that it is still as small.

    Notes
    -----
    Only this factor is believed without another channel of the same energy. No standstill follows the sun; a sixtieth
    could be what a current sensor catches of its neighbour.
    """
    known = ~np.isnan(power_w) & (reference_w > _BRIGHT * rated_w)
    if np.count_nonzero(known) < _LEAST_INTERVALS:
        return False
    power, reference = power_w[known], reference_w[known]
    if power.max() > _TOO_MUCH * rated_w / 1000.0 or power.min() == power.max():
        return False
    shape = float(np.corrcoef(power, reference)[0, 1])
    level = unit_factor(float(power.sum()), float(reference.sum())) == 1e-3
    return shape > _STILL_SHAPED if known_before else level and shape > _SAME_SHAPE


def total_of(strings: Mapping[str, Values], count: int) -> Values | None:
    """What an inverter should make of its strings [W]; None unless all of them are measured."""
    if len(strings) != count or not count:
        return None
    return np.asarray(_EFFICIENCY * np.sum(list(strings.values()), axis=0))


def mute_string(
    strings: Mapping[str, Values], rated_w: Mapping[str, float], ac_w: Values, ac_rated_w: float
) -> str | None:
    """The string whose channel says nothing on a day although the inverter's balance shows that it works.

    Parameters
    ----------
    strings : mapping of subject to array of shape (T,)
        DC power of all strings of one inverter on one day [W].
    rated_w : mapping of subject to float
        Their nameplates [W].
    ac_w : array of shape (T,)
        The inverter's power [W].
    ac_rated_w : float
        The inverter's rating [W].
    """
    powers = np.array(list(strings.values()))
    common = ~np.isnan(powers).any(axis=0) & ~np.isnan(ac_w)
    if np.count_nonzero(common) < _LEAST_INTERVALS:
        return None
    ac_kwh = float(ac_w[common].sum()) * STEP_S / 3.6e6
    if ac_kwh < _LEAST_HOURS * ac_rated_w / 1000.0:
        return None
    mute = mute_by_balance(
        powers[:, common].sum(axis=1) * STEP_S / 3.6e6, ac_kwh, np.array([rated_w[s] for s in strings])
    )
    return list(strings)[int(np.argmax(mute))] if mute.any() else None
