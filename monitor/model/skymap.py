"""The as-installed sky map: what of the sun gets past the things that always stood before a roof."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.skycells import (
    CELL_AZIMUTH,
    CELL_ELEVATION,
    CELLS,
    RASTER,
    RASTER_AZIMUTH,
    ROW_DEG,
    ROWS,
    Cells,
    cell_of,
    directions,
)
from monitor.model.sun import Sun

VERSION = 1
SHADED_BELOW = 0.8  # a cell that passes less than this is an obstruction
_LIT_ABOVE = 0.9
_WELL_SEEN_DAYS = 3
_MOST_GAP = 3  # rows from one dark cell up to the next of the same thing: two may let light through between
_TROPIC_DEG = 23.45
# Leaves in the north by day of year: out from mid April to mid May, down from mid October to mid November.
_LEAF_DAYS, _LEAF_SHARE = (105.0, 135.0, 290.0, 320.0), (0.0, 1.0, 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Outline:
    """Top of the obstruction by azimuth, shape (72,): NaN where nothing stands before the sky.

    `top_deg` is the best estimate of its elevation, which lies between `low_deg` (seen in shade up to there) and
    `high_deg` (seen in the sun from there on; 90 where nothing above has been seen yet).
    """

    azimuth_deg: Values
    top_deg: Values
    low_deg: Values
    high_deg: Values


@dataclass(frozen=True, slots=True)
class SkyMap:
    """Effective beam transmittance of each sky cell (see `skycells`), with and without leaves on the trees.

    `leafy` and `bare` are 1 in the open and where nothing is known. `leafy_days` and `bare_days` count the distinct
    days that tell of a cell in each season: 0 is a cell never seen, or one below an obstruction that is taken to reach
    the horizon. Cells marked frozen no longer follow new looks. `latitude` is north positive [deg].
    """

    latitude: float
    leafy: Values
    bare: Values
    leafy_days: Cells
    bare_days: Cells
    leafy_frozen: Mask
    bare_frozen: Mask

    def transmittance(self, azimuth_deg: Values, elevation_deg: Values, day_of_year: Values | float) -> Values:
        """Share of the beam that arrives, 0 to 1.

        Parameters
        ----------
        azimuth_deg, elevation_deg : array of shape (T,)
            The sun's place [deg]; azimuth clockwise from north.
        day_of_year : array of shape (T,) or float
            1 to 366: how far the leaves are out.

        Returns
        -------
        array of shape (T,)
            1 where nothing stands before the sun, or nothing is known. Effective for electrical power: shade on a part
            of a string counts as much as it costs.
        """
        cell = cell_of(azimuth_deg, elevation_deg)
        bare = self.bare[cell]
        return np.asarray(bare + leaf_share(day_of_year, self.latitude) * (self.leafy[cell] - bare))

    def blocked_diffuse(self, tilt_deg: float, azimuth_deg: float, day_of_year: float | None = None) -> float:
        """Share of an evenly bright sky's light on a plane that the obstructions take away, 0 to 1.

        Parameters
        ----------
        tilt_deg, azimuth_deg : float
            The plane; azimuth clockwise from north.
        day_of_year : float, optional
            How far the leaves are out; the mean of the year without it.

        Notes
        -----
        Integral of (1 - T) cos(incidence) over the part of the dome that the plane sees, over the same integral of
        cos(incidence): the view factor of what is hidden. Sky that the sun never passes counts as open, so the figure
        is a lower bound for things to the pole's side.
        """
        weight = _view_weight(tilt_deg, azimuth_deg)
        leaf = 0.5 if day_of_year is None else float(leaf_share(day_of_year, self.latitude))
        through = self.bare + leaf * (self.leafy - self.bare)
        return float(weight @ (1.0 - through) / weight.sum())

    def shaded_cells(self) -> Mask:
        """Cells that hold an obstruction in either season, shape (CELLS,)."""
        return np.minimum(self.leafy, self.bare) < SHADED_BELOW

    def outline(self) -> Outline:
        """Top of the obstruction by azimuth, to less than a cell's height, with how sure it is."""
        through = np.minimum(self.leafy, self.bare)[RASTER]
        days = (self.leafy_days + self.bare_days)[RASTER]
        shaded = through < SHADED_BELOW
        rows = np.arange(ROWS)
        top = np.full((3, RASTER_AZIMUTH.size), np.nan)
        for column in np.flatnonzero(shaded.any(axis=0)):
            here, passed = shaded[:, column], through[:, column]
            lit = (passed > _LIT_ABOVE) & (days[:, column] >= _WELL_SEEN_DAYS)
            run = rows[here]
            gaps = np.flatnonzero(np.diff(run) > _MOST_GAP)
            first, last = int(run[0]), int(run[gaps[0]] if gaps.size else run[-1])
            above = rows[lit & (rows > last)]
            end = int(above[0]) if above.size else ROWS
            covered = np.clip((1.0 - passed[last : last + 2]) / (1.0 - np.median(passed[first : last + 1])), 0.0, 1.0)
            top[:, column] = (last + covered.sum(), last, end)
        return Outline(RASTER_AZIMUTH, *np.minimum(top * ROW_DEG, 90.0))

    def months_in_sun_path(self) -> tuple[int, ...]:
        """Months (1 to 12) in which the sun passes behind the obstruction at this latitude."""
        days = np.arange(2.0, 366.0, 3.0)
        azimuth, elevation = sun_paths(self.latitude, days)
        up = elevation > 0.0
        hidden = up & (self.transmittance(azimuth, np.maximum(elevation, 0.0), days[:, None]) < SHADED_BELOW)
        months = (np.datetime64("2023-01-01") + (days - 1.0).astype(np.int64)).astype("datetime64[M]").astype(int) % 12
        return tuple(int(m) + 1 for m in np.unique(months[hidden.any(axis=1)]))

    def to_values(self) -> dict[str, Any]:
        """Numbers for the store; cells of which nothing is known are left out."""
        known = np.flatnonzero(
            (self.leafy_days + self.bare_days > 0) | (np.minimum(self.leafy, self.bare) < 1.0)
            | self.leafy_frozen | self.bare_frozen
        )  # fmt: skip
        return {
            "version": VERSION,
            "latitude": self.latitude,
            "cell": known.tolist(),
            "leafy": np.rint(self.leafy[known] * 1000.0).astype(np.int64).tolist(),
            "bare": np.rint(self.bare[known] * 1000.0).astype(np.int64).tolist(),
            "leafy_days": self.leafy_days[known].tolist(),
            "bare_days": self.bare_days[known].tolist(),
            "frozen": (self.leafy_frozen[known] + 2 * self.bare_frozen[known]).tolist(),
        }

    @staticmethod
    def from_values(values: Mapping[str, Any]) -> SkyMap:
        """A map as `to_values` gave it.

        Raises
        ------
        ValueError
            The numbers are of another version.
        """
        if values["version"] != VERSION:
            raise ValueError(f"a sky map of version {values['version']!r}, expected {VERSION}")
        cell = np.asarray(values["cell"], dtype=np.int64)
        frozen = _scattered(cell, values["frozen"], 0.0).astype(np.int64)
        return SkyMap(
            latitude=float(values["latitude"]),
            leafy=_scattered(cell, values["leafy"], 1000.0) / 1000.0,
            bare=_scattered(cell, values["bare"], 1000.0) / 1000.0,
            leafy_days=_scattered(cell, values["leafy_days"], 0.0).astype(np.int64),
            bare_days=_scattered(cell, values["bare_days"], 0.0).astype(np.int64),
            leafy_frozen=frozen % 2 == 1,
            bare_frozen=frozen >= 2,
        )


def open_sky(latitude: float) -> SkyMap:
    """A map that knows of no obstruction."""
    one, none, no = np.ones(CELLS), np.zeros(CELLS, dtype=np.int64), np.zeros(CELLS, dtype=bool)
    return SkyMap(latitude, one, one, none, none, no, no)


def leaf_share(day_of_year: Values | float, latitude: float) -> Values:
    """How far the leaves are out, 0 bare to 1 full; half a year later in the south, always half in the tropics.

    Common practice for deciduous trees of temperate places: May to October; it differs by two weeks between years.
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    if abs(latitude) < _TROPIC_DEG:
        return np.full(day.shape, 0.5)
    return np.interp((day if latitude > 0.0 else day + 182.5) % 365.0, _LEAF_DAYS, _LEAF_SHARE)


def shaded(power_w: Values, beam_share: Values, sky_map: SkyMap, sun: Sun, *, blocked_diffuse: float) -> Values:
    """Change a subject's tabled power by what stands before its sky.

    Parameters
    ----------
    power_w, beam_share : array of shape (K, T)
        Modelled power [W] and the share of it that comes straight from the sun, by sky state (`Physics`).
    sky_map : SkyMap
        The subject's own map.
    sun : Sun
        Sun of the same T times.
    blocked_diffuse : float
        `SkyMap.blocked_diffuse` of the subject's plane (an inverter's: the mean of its planes by rating).

    Returns
    -------
    array of shape (K, T)
        Power with shade [W].

    Notes
    -----
    Power is taken as proportional to light; the map's transmittance, learned from power, stands for beam and
    circumsolar light alike and holds what bypassed module parts cost. Light from the ground (some per cent of the
    rest) is counted with the sky. Apply it to strings, and build the inverter's power from theirs, where strings have
    maps; a limit by the inverter's rating comes after the shade.
    """
    through = sky_map.transmittance(sun.azimuth_deg, np.maximum(sun.elevation_deg, 0.0), sun.day_of_year)
    return np.asarray(power_w * ((1.0 - blocked_diffuse) - beam_share * ((1.0 - blocked_diffuse) - through)))


def _view_weight(tilt_deg: float, azimuth_deg: float) -> Values:
    """Solid angle of each cell times the cosine of incidence on a plane; nothing behind the plane."""
    normal = directions(np.array([azimuth_deg]), np.array([90.0 - tilt_deg]))[0]
    facing = np.maximum(directions(CELL_AZIMUTH, CELL_ELEVATION) @ normal, 0.0)
    row = np.rint(CELL_ELEVATION / ROW_DEG - 0.5).astype(np.int64)
    columns = np.bincount(row, minlength=ROWS)[row]
    return np.asarray(facing * np.cos(np.radians(CELL_ELEVATION)) / columns)


def sun_paths(latitude: float, days: Values) -> tuple[Values, Values]:
    """Azimuth and elevation [deg] of the sun every four minutes of some days, shape (D, 360); Cooper's declination."""
    tilt = np.radians(_TROPIC_DEG * np.sin(2.0 * np.pi * (284.0 + days) / 365.0))[:, None]
    hour, phi = np.radians(np.arange(-180.0, 180.0))[None, :], np.radians(latitude)
    up = np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(hour)
    east = -np.cos(tilt) * np.sin(hour)
    north = np.sin(tilt) * np.cos(phi) - np.cos(tilt) * np.sin(phi) * np.cos(hour)
    return np.degrees(np.arctan2(east, north)) % 360.0, np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))


def _scattered(cell: Cells, given: list[int], default: float) -> Values:
    out = np.full(CELLS, default)
    out[cell] = np.asarray(given, dtype=np.float64)
    return out
