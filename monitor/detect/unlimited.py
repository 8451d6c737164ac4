"""What an inverter would have made without the limit that held it back."""

from __future__ import annotations

import numpy as np

from ingest.readings import Mask, Values
from monitor.detect.held import held_back
from monitor.detect.night import DayLoss, SiteNight
from monitor.model.calibration import Z80
from monitor.model.grid import STEP_S
from monitor.model.physics import at_index
from monitor.model.power import ac_power


def unlimited_w(night: SiteNight, inverter: str) -> Values:
    """AC power of an inverter without any limit [W], shape (T,); NaN where nobody knows the sky.

    From its strings' expectation by sensor, weather and neighbours where these speak. Elsewhere by the own sky between
    the hours before and after it was held back: a roof at its limit does not see the sky above it.
    """
    assert night.physics is not None
    own = _sky_around(night.index, held_back(night, inverter))
    total = np.zeros(night.starts.shape)
    for string in night.site.strings_of(inverter):
        subject = f"string:{string.id}"
        gain = night.gains[subject].clear_sky if subject in night.gains else 1.0
        by_sky = gain * at_index(night.physics.power_w[subject], own)
        told = night.outside_w.get(subject)
        total += by_sky if told is None else np.where(np.isnan(told), by_sky, told)
    # An inverter that is large enough for all its strings.
    return np.asarray(ac_power(total, rated_ac_w=1.5 * sum(s.rated_w for s in night.site.strings_of(inverter))))


def limit_loss(night: SiteNight, inverter: str, where: Mask) -> DayLoss:
    """Energy that an inverter did not make because of a limit, over some intervals of the day."""
    unit = night.units[f"inverter:{inverter}"]
    without = np.nan_to_num(unlimited_w(night, inverter)[where])
    made = np.nan_to_num(unit.power_w[where])
    sigma = unit.expected.sigma
    factors = (1.0, np.exp(-Z80 * sigma), np.exp(Z80 * sigma))
    kwh, low, high = (float(np.sum(np.maximum(f * without - made, 0.0))) * STEP_S / 3.6e6 for f in factors)
    return DayLoss(night.day, kwh, low, high)


def _sky_around(index: Values, held: Mask) -> Values:
    """The clear-sky index with the held intervals bridged in a straight line."""
    known = ~np.isnan(index) & ~held
    if not known.any():
        return np.where(held, np.nan, index)
    at = np.arange(index.size)
    return np.where(held, np.interp(at, at[known], index[known]), index)
