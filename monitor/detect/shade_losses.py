"""What new shade took from a unit, day by day: what should have been there behind it less what was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from ingest.readings import Mask, Values
from ingest.timeline import local_day
from monitor.detect.delivered import USUAL_EFFICIENCY, delivered_w
from monitor.detect.night import DayLoss, SiteNight
from monitor.model.grid import STEP_S, grid
from monitor.model.learned_sky import KeptLooks, looks_at_gain
from monitor.model.physics import CLEAR_NODE, Physics, at_index, index_of, site_physics
from monitor.model.skycells import CELLS, Cells, cell_of, with_beside

# The 80 % range of a day. What the sun passes unseen (low, or grazing the plane) is missing rather than too much.
_LOW, _HIGH = 0.75, 1.6
# A sky lasts so many quarters of an hour on a roof; at low suns errors of the plane make it look brighter than any is.
_LASTS, _BRIGHTEST = 16.0, 1.05
_TELLING = 0.1  # of the day's greatest cloudless power: below it a sky was carried over, perhaps from the shade


@dataclass(frozen=True, slots=True)
class Shadow:
    """How much darker each cell has become, shape (CELLS,), and the share of an even sky's light that is hidden."""

    darker: Values
    hidden: float


def loss_tonight(night: SiteNight, unit: str, shadow: Shadow) -> DayLoss:
    """What new shade took on the day that ends.

    Notes
    -----
    Behind what is new the loss is measured: expected less measured power, at most what came straight from the sun.
    The unit's own roof may stand in the same shade, so its sky is carried over from the hours in which nothing new
    stands before the sun: what was seen on the roof a quarter of an hour ago says more than neighbours some ten
    kilometres off, what was seen many hours ago less. A sensor says it best.
    """
    told = night.units.get(unit)
    if told is None or night.physics is None:
        return DayLoss(night.day, 0.0, 0.0, 0.0)
    taken, near = _taken(night.physics, shadow)
    table, gain = night.physics.power_w[unit], night.gains[unit].clear_sky
    clear = night.physics.clear_w(unit)
    seen = np.where(clear > _TELLING * float(clear.max()), night.index, np.nan)
    index, trust = _carried(seen, near, night.past.usual_index())
    trust = trust if told.expected.source != "sensor" else np.zeros(trust.shape)
    own = gain * at_index(table, index)
    outside = night.outside_w.get(unit, np.full(own.shape, np.nan))
    expected = np.where(np.isnan(outside), own, trust * own + (1.0 - trust) * outside)
    share = at_index(night.physics.beam_share[unit], index_of(table, expected / gain))
    watts = _lost(expected, expected * np.nan_to_num(share), told.power_w, taken, near, shadow.hidden)
    return _day_loss(night.day, _delivered(night, unit, watts))


def losses_before(night: SiteNight, unit: str, shadow: Shadow, since: date) -> list[DayLoss]:
    """What it took on the days since it was first seen, from the looks that were kept of them."""
    kept: Sequence[KeptLooks] = night.looks.get(unit, ())
    return [_loss_of(night, unit, one, shadow) for one in kept if since <= one.day < night.day]


def _loss_of(night: SiteNight, unit: str, kept: KeptLooks, shadow: Shadow) -> DayLoss:
    """The loss of a day of which only looks are left: power over cloudless power in each cell that the sun passed."""
    physics = site_physics(night.site, grid(*local_day(kept.day, night.site.zone)))
    table, beam_share = physics.power_w[unit], physics.beam_share[unit]
    clear, (taken, near) = table[CLEAR_NODE], _taken(physics, shadow)
    seen = np.full(CELLS, np.nan)
    looks = looks_at_gain([kept], kept.gain)
    seen[looks.cell] = looks.transmittance
    made = clear * (1.0 - beam_share[CLEAR_NODE] * (1.0 - seen[_cells(physics)]))
    made = np.where((physics.sun.elevation_deg > 0.0) & (clear > 0.0), made, np.nan)
    index, _ = _carried(index_of(table, made), near, night.past.usual_index())
    expected = at_index(table, index)
    watts = kept.gain * _lost(expected, expected * at_index(beam_share, index), made, taken, near, shadow.hidden)
    return _day_loss(kept.day, watts * (USUAL_EFFICIENCY if unit.startswith("string:") else 1.0))


def _lost(expected_w: Values, beam_w: Values, made_w: Values, taken: Values, near: Mask, hidden: float) -> Values:
    """Power that is missing: measured behind what is new, and by the model in gaps and in the light of the sky.

    Clouds make the measured part too large in one hour and too small in another: only the day's sum is none below zero.
    """
    diffuse = hidden * (expected_w - beam_w)
    known = near & ~np.isnan(made_w)
    measured = np.where(known, np.minimum(expected_w - made_w, beam_w + diffuse), 0.0)
    if measured.sum() < 0.0:
        measured = np.zeros(measured.shape)
    return np.where(known, measured, beam_w * taken + diffuse)


def _carried(index: Values, shaded: Mask, usual: float) -> tuple[Values, Values]:
    """A sky state for every interval, from those in which the sun was not hidden, and how far to trust it (0 to 1)."""
    told = np.flatnonzero(~np.isnan(index) & ~shaded)
    if not told.size:
        return np.full(index.shape, usual), np.zeros(index.shape)
    here = np.arange(index.size)
    after = np.minimum(np.searchsorted(told, here), told.size - 1)
    away = np.minimum(np.abs(told[after] - here), np.abs(here - told[np.maximum(after - 1, 0)]))
    between = np.interp(here, told, np.minimum(index[told], _BRIGHTEST))
    return np.where(np.isnan(index) | shaded, between, index), np.exp(-away / _LASTS)


def _taken(physics: Physics, shadow: Shadow) -> tuple[Values, Mask]:
    """Share of the beam that is taken, and where the sun stands behind what is new or close beside it, shape (T,)."""
    up, cells = physics.sun.elevation_deg > 0.0, _cells(physics)
    near = with_beside(shadow.darker > 0.0)
    return np.where(up, shadow.darker[cells], 0.0), up & near[cells]


def _cells(physics: Physics) -> Cells:
    return cell_of(physics.sun.azimuth_deg, np.maximum(physics.sun.elevation_deg, 0.0))


def _delivered(night: SiteNight, unit: str, watts: Values) -> Values:
    """What of a string's missing power its inverter would have delivered."""
    kind, _, name = unit.partition(":")
    if kind != "string":
        return watts
    return delivered_w(night, name, np.maximum(watts, 0.0)) + USUAL_EFFICIENCY * np.minimum(watts, 0.0)


def _day_loss(day: date, watts: Values) -> DayLoss:
    kwh = max(float(np.sum(watts)), 0.0) * STEP_S / 3.6e6
    return DayLoss(day, kwh, _LOW * kwh, _HIGH * kwh)
