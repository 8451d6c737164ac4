"""What new shade leaves as evidence: where it stands, how dark it is, what it takes in a year."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ingest.readings import Mask, Values
from monitor.config.models import String
from monitor.detect.night import SiteNight
from monitor.detect.shade_losses import Shadow
from monitor.model.learned_sky import looks_at_gain
from monitor.model.looks import LooksInARow
from monitor.model.new_shade import KnownSky, NewShade, find_new_shade, known_sky
from monitor.model.obstruction import levelled
from monitor.model.shade_cost import yearly_loss_share
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELLS, RASTER, ROW_DEG, ROWS
from monitor.model.skymap import SkyMap, leaf_share

_LEAST_DAYS = 3  # with looks, and in the dark
# Of the dark looks in a box so many must be at cells that were known to be open.
_MOSTLY_KNOWN = 0.6
_FAINT = 0.02
# Of a year's light in the plane, straight from the sun, at the usual clear-sky index of temperate places (common
# practice).
_BEAM_SHARE, _USUAL_INDEX = 0.5, 0.6
_GROWS_ON = 1.5  # the high end of a year's forecast: what stands there grows
_MODULES_NAMED = 12


@dataclass(frozen=True, slots=True)
class Shade:
    """What newly stands before one map's sky: the box, how much darker each cell is than before, and cells looked at.

    `darker` has shape (CELLS,), 0 outside of the box.
    """

    box: NewShade
    darker: Values
    seen: Mask

    def is_of(self, evidence: Mapping[str, Any]) -> bool:
        """Whether it is what earlier nights have seen, or a part of that."""
        return bool((self.darker[np.asarray(evidence["cells"], np.int64)] > 0.0).any())


def new_shades(night: SiteNight, watched: Sequence[str], least: float) -> dict[str, Shade]:
    """New shade before each of the maps that tell of a unit, where it is strong enough."""
    found = {s: _new_shade(night, s) for s in watched}
    return {s: shade for s, shade in found.items() if shade is not None and shade.box.strength >= least}


def _new_shade(night: SiteNight, watched: str) -> Shade | None:
    """What is dark day after day and was open in the map; None where there is nothing."""
    sky = night.past.skies.get(watched)
    chain = [one for one in night.looks.get(watched, ()) if one.record.size]
    if sky is None or len(chain) < _LEAST_DAYS:
        return None
    looks, latitude = levelled(looks_at_gain(chain, chain[-1].gain)), sky.sky_map.latitude
    known = known_sky(sky.sky_map)
    in_leaf = leaf_share(np.asarray(looks.day % 365.2425) + 1.0, latitude) >= 0.5
    was_open = np.where(in_leaf, known.leafy[looks.cell], known.bare[looks.cell])
    box = find_new_shade(looks, was_open, latitude)
    if box is None or box.days.size < _LEAST_DAYS or not _was_known(box, looks, was_open, known):
        return None
    seen = np.zeros(CELLS, dtype=bool)
    seen[looks.cell] = True
    return Shade(box, _darker(box, looks, sky.sky_map, known.bare), seen)


def _was_known(box: NewShade, looks: LooksInARow, was_open: Mask, known: KnownSky) -> bool:
    """Whether what is dark was mostly seen open before: else it is the rest of a thing of which the map has a part."""
    dark = box.holds(looks.cell) & np.isin(looks.day, box.days) & ~known.doubtful[looks.cell]
    return bool(dark.any()) and float(np.mean(was_open[dark])) > _MOSTLY_KNOWN


def _darker(box: NewShade, looks: LooksInARow, before: SkyMap, was_open: Mask) -> Values:
    """How much darker the cells of a box are on the days that tell of it; the box's middle where none was seen then."""
    inside = box.holds(looks.cell) & np.isin(looks.day, box.days)
    cell, through = looks.cell[inside], np.clip(looks.transmittance[inside], 0.0, 1.0)
    now = np.full(CELLS, np.median(through))
    for one in np.unique(cell):
        now[one] = np.median(through[cell == one])
    lit = np.maximum(before.leafy, before.bare)
    return np.where(box.holds(np.arange(CELLS)) & was_open, np.maximum(lit - now, 0.0), 0.0)


def shadow_of(evidence: Mapping[str, Any]) -> Shadow:
    darker = np.zeros(CELLS)
    darker[np.asarray(evidence["cells"], np.int64)] = evidence["darker"]
    return Shadow(darker, float(evidence["hidden_share"]))


def evidence_of(
    night: SiteNight,
    watched: Sequence[str],
    year_kwh: float,
    strings: Sequence[String],
    shades: Mapping[str, Shade],
    so_far: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Where the new top stands, how much it takes, and the cells by which later nights count the loss.

    The sun passes only a part of what grew in each season: what earlier nights saw of it (`so_far`) is kept.
    """
    # Of a string's modules only some stand in the shade: its cells are as dark as the mean over all modules.
    darker = np.zeros(CELLS)
    seen = np.zeros(CELLS, dtype=bool)
    for shade in shades.values():
        darker += shade.darker / len(watched)
        seen |= shade.seen
    if so_far is not None:
        cells = np.asarray(so_far["cells"], np.int64)
        darker[cells] = np.where(seen[cells], darker[cells], np.maximum(darker[cells], so_far["darker"]))
    before = night.past.skies[watched[0]].sky_map
    darker = _down_to_the_ground(darker, before)
    cells = np.flatnonzero(darker > _FAINT)
    tops = np.flatnonzero(darker > 0.5 * darker.max())
    weight = darker[tops] * np.cos(np.radians(CELL_ELEVATION[tops]))
    azimuth = np.radians(CELL_AZIMUTH[tops])
    centre = float(np.degrees(np.arctan2(weight @ np.sin(azimuth), weight @ np.cos(azimuth)))) % 360.0
    share, hidden = _year_share(night, strings, before, darker)
    year = share * year_kwh
    modules = sorted({s for s in shades if s.startswith("module:")} | set((so_far or {}).get("modules", ())))
    return {
        "azimuth_deg": round(centre, 1),
        "elevation_deg": round(float(CELL_ELEVATION[tops].max() + 0.5 * ROW_DEG), 1),
        "azimuth_from_deg": round(float(CELL_AZIMUTH[tops].min()), 1),
        "azimuth_to_deg": round(float(CELL_AZIMUTH[tops].max()), 1),
        "lost_kwh_per_year": round(year, 1),
        "lost_kwh_per_year_high": round(_GROWS_ON * year, 1),
        "loss_fraction": round(share, 4),
        "cells": cells.tolist(),
        "darker": np.round(darker[cells], 3).tolist(),
        "hidden_share": round(hidden, 4),
        "strength": round(max(s.box.strength for s in shades.values()), 1),
        "dark_days": max(int(s.box.days.size) for s in shades.values()),
        **({"modules": modules[:_MODULES_NAMED]} if modules else {}),
    }


def _down_to_the_ground(darker: Values, before: SkyMap) -> Values:
    """What is new stands on the ground: below its top it is as dark in every column, where it was not dark before."""
    picture = darker[RASTER]
    rows = np.arange(ROWS)[:, None]
    columns = picture.max(axis=0) > _FAINT
    top = np.where(columns, ROWS - 1 - np.argmax(picture[::-1] > _FAINT, axis=0), -1)
    depth = np.where(columns, np.sum(picture, axis=0) / np.maximum(np.count_nonzero(picture > _FAINT, axis=0), 1), 0.0)
    out = darker.copy()
    lit = np.maximum(before.leafy, before.bare)
    for row, column in zip(*np.nonzero(rows <= top[None, :]), strict=True):
        cell = RASTER[row, column]
        out[cell] = max(out[cell], min(depth[column], lit[cell]))
    return out


def _year_share(night: SiteNight, strings: Sequence[String], before: SkyMap, darker: Values) -> tuple[float, float]:
    """Share of a year's energy that the new shade takes, and the share of an even sky's light that it hides."""
    usual = float(np.clip(_BEAM_SHARE * night.past.usual_index() / _USUAL_INDEX, 0.25, 0.8))
    plane = night.site.plane_of(strings[0])
    now = replace(before, leafy=np.maximum(before.leafy - darker, 0.0), bare=np.maximum(before.bare - darker, 0.0))
    share, _ = yearly_loss_share(before, now, tilt_deg=plane.tilt_deg, azimuth_deg=plane.azimuth_deg, beam_share=usual)
    hidden = now.blocked_diffuse(plane.tilt_deg, plane.azimuth_deg) - before.blocked_diffuse(
        plane.tilt_deg, plane.azimuth_deg
    )
    return share, max(hidden, 0.0)
