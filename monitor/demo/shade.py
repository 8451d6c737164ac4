"""What stands before the roof, from the day it was commissioned or later: chimneys, houses, trees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.demo.chance import Floats
from monitor.demo.sky import Sun

SOFT_EDGE_DEG = 2.0  # the shade's edge needs this much sun height to cross the modules


@dataclass(frozen=True, slots=True)
class Obstruction:
    """An outline before the sky, down to the horizon, as (azimuth, elevation) points from left to right."""

    name: str
    outline: tuple[tuple[float, float], ...]
    reach: float = 1.0  # share of a string that lies in the shade when the sun stands behind the middle
    lets_through: float = 0.0  # share of the beam, leaves on
    lets_through_bare: float = 0.0  # the same without leaves


@dataclass(frozen=True, eq=False)
class Shade:
    """Share of a string in the shade, what of the beam comes through there, and what share of the sky is seen."""

    share: Floats
    lets_through: Floats
    sky_seen: float | Floats


@dataclass(frozen=True, eq=False)
class Rising:
    """An obstruction whose height changes: its share of the full height on the lit steps, 0 where it is not there."""

    obstruction: Obstruction
    height: Floats


def hidden_share(
    obstruction: Obstruction, azimuth_deg: Floats, elevation_deg: Floats, height: float | Floats = 1.0
) -> Floats:
    """0 where the outline is well below, 1 where it is well above; soft in between."""
    azimuths, tops = np.array(obstruction.outline).T
    top = np.interp(azimuth_deg, azimuths, tops, left=-90.0, right=-90.0)
    if not (np.isscalar(height) and height == 1.0):
        grown = np.degrees(np.arctan(height * np.tan(np.radians(np.maximum(top, 0.0)))))
        top = np.where((top >= 0.0) & (np.asarray(height) > 0.0), grown, -90.0)
    return np.asarray(np.clip((top - elevation_deg) / SOFT_EDGE_DEG + 0.5, 0.0, 1.0))


def leaves(year_angle: Floats) -> Floats:
    """0 for bare trees, 1 in full leaf (May to October)."""
    day = year_angle / (2 * np.pi) * 365.0
    return np.interp(day, (95.0, 135.0, 290.0, 325.0), (0.0, 1.0, 1.0, 0.0))


def shade_on(
    obstructions: tuple[Obstruction, ...],
    sun: Sun,
    year_angle: Floats,
    plane: tuple[float, float],
    rising: Sequence[Rising] = (),
) -> Shade:
    """The shade of some obstructions on a plane of (tilt, azimuth) in degrees."""
    bright = np.ones(len(sun.lit))
    through = np.ones(len(sun.lit))
    in_leaf = leaves(year_angle[sun.lit])
    for one in obstructions:
        behind = one.reach * hidden_share(one, sun.azimuth_deg, sun.elevation_deg)
        through = np.where(behind > 0.0, np.minimum(through, _passing(one, in_leaf)), through)
        bright *= 1.0 - behind
    for new in rising:
        one = new.obstruction
        behind = one.reach * hidden_share(one, sun.azimuth_deg, sun.elevation_deg, new.height)
        through = np.where(behind > 0.0, np.minimum(through, _passing(one, in_leaf)), through)
        bright = np.minimum(bright, 1.0 - behind)  # it may be what stood there before, grown
    return Shade(1.0 - bright, through, sky_seen(obstructions, *plane, rising))


def _passing(obstruction: Obstruction, in_leaf: Floats) -> Floats:
    bare = obstruction.lets_through_bare
    return np.asarray(bare + (obstruction.lets_through - bare) * in_leaf)


_HEIGHTS = np.linspace(0.0, 1.0, 21)


def sky_seen(
    obstructions: tuple[Obstruction, ...], tilt_deg: float, azimuth_deg: float, rising: Sequence[Rising] = ()
) -> float | Floats:
    """Share of an even sky's light on a plane that gets past the obstructions (in leaf); by step if one rises."""
    elevation, azimuth = (a.ravel() for a in np.meshgrid(np.arange(1.25, 90.0, 2.5), np.arange(2.5, 360.0, 5.0)))
    weight = np.cos(np.radians(elevation)) * np.maximum(facing(tilt_deg, azimuth_deg, elevation, azimuth), 0.0)
    left = np.ones(len(weight))
    for one in obstructions:
        left *= 1.0 - one.reach * (1.0 - one.lets_through) * hidden_share(one, azimuth, elevation)
    always = float((weight * left).sum() / weight.sum())
    seen: float | Floats = always
    for new in rising:
        one, shares = new.obstruction, []
        for height in _HEIGHTS.tolist():
            past = 1.0 - one.reach * (1.0 - one.lets_through) * hidden_share(one, azimuth, elevation, height)
            shares.append(float((weight * np.minimum(left, past)).sum() / weight.sum()))
        seen = seen * np.interp(new.height, _HEIGHTS, shares) / always
    return seen


def facing(tilt_deg: float, azimuth_deg: float, elevation: Floats, azimuth: Floats) -> Floats:
    """Cosine of the angle between a plane's normal and a direction (all in degrees)."""
    tilt, up = np.radians(tilt_deg), np.radians(elevation)
    return np.asarray(np.sin(up) * np.cos(tilt) + np.cos(up) * np.sin(tilt) * np.cos(np.radians(azimuth - azimuth_deg)))
