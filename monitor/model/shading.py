"""A site's tables and rungs behind what stands before its sky."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ingest.readings import Values
from monitor.config.models import Site
from monitor.model.ladder import Rung
from monitor.model.physics import Physics, at_index, inverter_powers, inverter_shares
from monitor.model.skymap import SkyMap, shaded

Maps = Mapping[str, SkyMap]


def maps_of_strings(site: Site, maps: Maps) -> dict[str, SkyMap]:
    """The map of each string by `string:ID`: its own, else that of an inverter whose strings are not measured."""
    found = {}
    for string in site.string:
        own = maps.get(f"string:{string.id}") or maps.get(f"inverter:{string.inverter}")
        if own is not None:
            found[f"string:{string.id}"] = own
    return found


def shaded_physics(site: Site, physics: Physics, maps: Maps) -> Physics:
    """Tables with shade: strings by their maps, inverters built from their strings.

    Parameters
    ----------
    site : Site
        For planes and wiring.
    physics : Physics
        Tables of one local day under the open sky.
    maps : mapping
        By `string:ID`, or by `inverter:ID` where only the inverter is measured; those without stand in the open.
    """
    by_string = maps_of_strings(site, maps)
    if not by_string:
        return physics
    day = float(physics.sun.day_of_year[physics.starts.size // 2])
    power, share = dict(physics.power_w), dict(physics.beam_share)
    for string in site.string:
        name = f"string:{string.id}"
        if name not in by_string:
            continue
        beam = physics.beam_share[name]
        power[name] = _behind(site, physics, string.plane, by_string[name], physics.power_w[name], beam, day)
        through = _through(physics, by_string[name])
        share[name] = np.divide(
            through * beam * physics.power_w[name], power[name], out=np.zeros_like(beam), where=power[name] > 0.0
        )
    power |= inverter_powers(site, power)
    share |= inverter_shares(site, share, power)
    return replace(physics, power_w=power, beam_share=share)


def shaded_rung(site: Site, rung: Rung, physics: Physics, behind: Physics, maps: Maps) -> Rung:
    """A rung of sensor or weather with shade.

    Parameters
    ----------
    site, maps
        As of `shaded_physics`.
    rung : Rung
        As it came, for the open sky.
    physics, behind : Physics
        Tables without and with shade.
    """
    by_string = maps_of_strings(site, maps)
    if not by_string:
        return rung
    fed = {f"inverter:{s.inverter}" for s in site.string if f"string:{s.id}" in by_string}
    if not rung.beam_share:
        touched = by_string.keys() | fed
        power = {s: at_index(behind.power_w[s], rung.index) if s in touched else p for s, p in rung.power_w.items()}
        return replace(rung, power_w=power)
    day = float(physics.sun.day_of_year[physics.starts.size // 2])
    power = dict(rung.power_w)
    for string in site.string:
        name = f"string:{string.id}"
        if name in by_string:
            beam = rung.beam_share[name]
            power[name] = _behind(site, physics, string.plane, by_string[name], rung.power_w[name], beam, day)
    made = inverter_powers(site, power)
    return replace(rung, power_w=power | {s: p for s, p in made.items() if s in fed})


def _behind(
    site: Site, physics: Physics, plane_id: str, sky_map: SkyMap, power_w: Values, beam_share: Values, day: float
) -> Values:
    plane = next(p for p in site.plane if p.id == plane_id)
    blocked = sky_map.blocked_diffuse(plane.tilt_deg, plane.azimuth_deg, day)
    return shaded(power_w, beam_share, sky_map, physics.sun, blocked_diffuse=blocked)


def _through(physics: Physics, sky_map: SkyMap) -> Values:
    sun = physics.sun
    return sky_map.transmittance(sun.azimuth_deg, np.maximum(sun.elevation_deg, 0.0), sun.day_of_year)
