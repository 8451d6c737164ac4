"""What every string and inverter of a site would make, at every time, under every sky: tables to look up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np

from ingest.readings import Seconds, Values
from monitor.config.models import Plane, Site
from monitor.model.grid import STEP_S
from monitor.model.plane import OnPlane, on_plane
from monitor.model.power import (
    ROOF_WIND,
    SYSTEM_FACTOR,
    WIND_M_S,
    ac_power,
    cell_temperature,
    climatological_air_temperature,
    dc_power,
)
from monitor.model.sky import Sky, clear_sky, cloudy_sky, monthly_turbidity, turbidity_on
from monitor.model.sun import Sun, sun_position

# Nodes of the clear-sky index (global horizontal over its cloudless value); above one: bright cloud edges.
INDEX_NODES: Values = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25])
CLEAR_NODE = 11
_NODE_NUMBERS: Values = np.arange(INDEX_NODES.size, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Physics:
    """Tables of a site over a span: K sky states (`INDEX_NODES`) by T grid intervals.

    `power_w` holds the modelled power of `string:ID` (DC) and `inverter:ID` (AC) with nameplate gains;
    `plane_w_m2` the total irradiance in each plane; `beam_share` which share of a subject's power comes straight from
    the sun and from close around it, 0 to 1 (0 in the dark).
    """

    starts: Seconds
    sun: Sun
    clear: Sky
    power_w: dict[str, Values]
    plane_w_m2: dict[str, Values]
    beam_share: dict[str, Values]

    def clear_w(self, subject: str) -> Values:
        """Power under a cloudless sky, shape (T,)."""
        return np.asarray(self.power_w[subject][CLEAR_NODE])

    def stacked(self, subjects: Sequence[str]) -> Values:
        """Tables of some subjects one behind the other, shape (S, K, T)."""
        return np.stack([self.power_w[subject] for subject in subjects])

    def part(self, span: slice) -> Physics:
        """The same tables over a part of the span (views, no copies)."""
        return Physics(
            self.starts[span],
            Sun(**{f.name: getattr(self.sun, f.name)[span] for f in fields(Sun)}),
            Sky(self.clear.ghi[span], self.clear.dni[span], self.clear.dhi[span]),
            {subject: table[:, span] for subject, table in self.power_w.items()},
            {plane: table[:, span] for plane, table in self.plane_w_m2.items()},
            {subject: table[:, span] for subject, table in self.beam_share.items()},
        )


def site_physics(site: Site, starts: Seconds, air_c: Values | None = None, wind_m_s: Values | None = None) -> Physics:
    """Build the tables of a site.

    Parameters
    ----------
    site : Site
        Geometry and nameplates.
    starts : array of shape (T,)
        Grid interval starts [UTC epoch seconds]; the sun is taken at the middle of each.
    air_c : array of shape (T,), optional
        Measured air temperature [degC], NaN where unknown; climatology fills the rest.
    wind_m_s : array of shape (T,), optional
        Wind at 10 m [m/s], NaN where unknown; a light breeze fills the rest.

    Returns
    -------
    Physics
        Powers in W, irradiance in W/m2, shape (K, T).
    """
    sun, clear = _sun_and_sky(site, starts)
    sky = cloudy_sky(INDEX_NODES[:, None], clear, sun)
    air = _air(site, starts, air_c)
    planes = {p.id: _on(p, sky, sun) for p in site.plane}
    power = powers(site, planes, air, _wind(starts, wind_m_s))
    return Physics(
        starts, sun, clear, power, {pid: p.total for pid, p in planes.items()}, beam_shares(site, planes, power)
    )


def power_from_components(
    site: Site, physics: Physics, sky: Sky, air_c: Values | None = None, wind_m_s: Values | None = None
) -> tuple[dict[str, Values], dict[str, Values]]:
    """Power of every string and inverter [W], and its beam share, shape (T,), under given irradiance components."""
    planes = {p.id: _on(p, sky, physics.sun) for p in site.plane}
    power = powers(site, planes, _air(site, physics.starts, air_c), _wind(physics.starts, wind_m_s))
    return power, beam_shares(site, planes, power)


def powers(
    site: Site, planes: dict[str, OnPlane], air_c: Values, wind_m_s: Values | float = WIND_M_S
) -> dict[str, Values]:
    """DC power of every string and AC power of every inverter [W] from plane irradiance, in its shape.

    `wind_m_s` is the wind at the roof.
    """
    out: dict[str, Values] = {}
    for string in site.string:
        plane = planes[string.plane]
        cell = cell_temperature(plane.total, air_c, wind_m_s)
        out[f"string:{string.id}"] = SYSTEM_FACTOR * dc_power(
            plane.effective,
            cell,
            rated_w=string.rated_w,
            gamma_per_c=string.module.gamma_pmp_pct_per_c / 100.0,
        )
    return out | inverter_powers(site, out)


def inverter_powers(site: Site, strings_w: Mapping[str, Values]) -> dict[str, Values]:
    """AC power of every inverter [W] from the DC power of its strings."""
    out = {}
    for unit in site.inverter:
        fed = [strings_w[f"string:{s.id}"] for s in site.strings_of(unit.id)]
        if fed:
            out[f"inverter:{unit.id}"] = ac_power(np.sum(fed, axis=0), rated_ac_w=unit.rated_ac_w)
    return out


def beam_shares(site: Site, planes: dict[str, OnPlane], power_w: dict[str, Values]) -> dict[str, Values]:
    """Share of each subject's power that comes straight from the sun; an inverter's by the power of its strings."""
    by_plane = {}
    for name in {s.plane for s in site.string}:
        lit = planes[name].effective
        by_plane[name] = np.divide(planes[name].beam_effective, lit, out=np.zeros_like(lit), where=lit > 0.0)
    out = {f"string:{s.id}": by_plane[s.plane] for s in site.string}
    return out | inverter_shares(site, out, power_w)


def inverter_shares(site: Site, shares: Mapping[str, Values], power_w: Mapping[str, Values]) -> dict[str, Values]:
    """Beam share of every inverter from those of its strings, by their power."""
    out = {}
    for unit in site.inverter:
        names = [f"string:{s.id}" for s in site.strings_of(unit.id)]
        if not names:
            continue
        first = shares[names[0]]
        if all(shares[name] is first for name in names):
            out[f"inverter:{unit.id}"] = first
        else:
            total = np.sum([power_w[name] for name in names], axis=0)
            beam = np.sum([power_w[name] * shares[name] for name in names], axis=0)
            out[f"inverter:{unit.id}"] = np.divide(beam, total, out=np.zeros_like(total), where=total > 0.0)
    return out


def at_index(table: Values, index: Values) -> Values:
    """Look a (K, T) table up at an index per time, shape (T,) or (N, T); NaN where the index is NaN.

    S tables at once, shape (S, K, T), give (S, T) or (S, N, T).
    """
    position = np.interp(index, INDEX_NODES, _NODE_NUMBERS)
    low = np.minimum(np.fmax(position, 0.0).astype(np.int64), INDEX_NODES.size - 2)
    columns = np.arange(table.shape[-1])
    part = position - low
    return np.asarray(table[..., low, columns] * (1.0 - part) + table[..., low + 1, columns] * part)


def index_of(table: Values, value: Values) -> Values:
    """Find the index per time at which a (K, T) table takes a value, shape (T,).

    The smallest such index, where the table is not monotone (planes that face away from the sun); NaN where the
    value is NaN or the table is zero. Values above the table's top give the highest node.
    """
    rising = np.maximum.accumulate(table, axis=0)
    above = rising >= value[None, :]
    high = np.where(above.any(axis=0), np.argmax(above, axis=0), INDEX_NODES.size - 1)
    low = np.maximum(high - 1, 0)
    columns = np.arange(table.shape[1])
    lower, upper = rising[low, columns], rising[high, columns]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((value - lower) / (upper - lower), 0.0, 1.0)
    part = np.where(upper > lower, part, 1.0)
    index = INDEX_NODES[low] + part * (INDEX_NODES[high] - INDEX_NODES[low])
    return np.where(np.isnan(value) | (rising[-1] <= 0.0), np.nan, index)


def _sun_and_sky(site: Site, starts: Seconds) -> tuple[Sun, Sky]:
    place = site.site
    sun = sun_position(
        _middles(starts), latitude=place.latitude, longitude=place.longitude, altitude_m=place.altitude_m
    )
    turbidity = turbidity_on(sun.day_of_year, monthly_turbidity(place.latitude, place.longitude))
    return sun, clear_sky(sun, turbidity, altitude_m=place.altitude_m)


def _air(site: Site, starts: Seconds, air_c: Values | None) -> Values:
    rough = climatological_air_temperature(_middles(starts), latitude=site.site.latitude, longitude=site.site.longitude)
    return rough if air_c is None else np.where(np.isnan(air_c), rough, air_c)


def _wind(starts: Seconds, wind_m_s: Values | None) -> Values:
    breeze = np.full(starts.shape, WIND_M_S)
    return breeze if wind_m_s is None else np.where(np.isnan(wind_m_s), breeze, ROOF_WIND * wind_m_s)


def _middles(starts: Seconds) -> Values:
    return starts.astype(np.float64) + STEP_S / 2.0


def _on(plane: Plane, sky: Sky, sun: Sun) -> OnPlane:
    return on_plane(sky, sun, tilt_deg=plane.tilt_deg, azimuth_deg=plane.azimuth_deg)
