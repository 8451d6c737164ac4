"""What new shade costs in a year: from two sky maps and the sun's paths."""

from __future__ import annotations

import numpy as np

from ingest.readings import Values
from monitor.model.skycells import cell_of, directions
from monitor.model.skymap import SkyMap, leaf_share, sun_paths

# Beam of clear air by air mass, W/m2 (Meinel and Meinel, Applied Solar Energy, 1976; Kasten-Young air mass is not
# needed at these heights).
_SOLAR_CONSTANT, _CLEAR_AIR, _POWER = 1353.0, 0.7, 0.678
_LOWEST_SUN_DEG = 3.0


def yearly_loss_share(
    before: SkyMap, now: SkyMap, *, tilt_deg: float, azimuth_deg: float, beam_share: float
) -> tuple[float, Values]:
    """Share of a plane's yearly energy that new shade takes away, and how it spreads over the months.

    Parameters
    ----------
    before, now : SkyMap
        Of the same place.
    tilt_deg, azimuth_deg : float
        The plane [deg], azimuth clockwise from north.
    beam_share : float
        Share of the year's light in the plane that comes straight from the sun, 0 to 1.

    Returns
    -------
    share : float
        0 to 1; beam and diffuse light together.
    by_month : array of shape (12,)
        The same share by calendar month (of the year's energy, so that it sums to `share`).
    """
    days = np.arange(2.0, 366.0, 3.0)
    azimuth, elevation = sun_paths(before.latitude, days)
    up = elevation > _LOWEST_SUN_DEG
    height = np.sin(np.radians(np.maximum(elevation, _LOWEST_SUN_DEG)))
    normal = directions(np.array([azimuth_deg]), np.array([90.0 - tilt_deg]))[0]
    incidence = np.maximum(directions(azimuth.ravel(), elevation.ravel()) @ normal, 0.0).reshape(azimuth.shape)
    beam = np.where(up, _SOLAR_CONSTANT * _CLEAR_AIR ** ((1.0 / height) ** _POWER) * incidence, 0.0)
    cell = cell_of(azimuth, np.maximum(elevation, 0.0))
    leaf = leaf_share(days, before.latitude)[:, None]
    darker = [m.bare[cell] + leaf * (m.leafy[cell] - m.bare[cell]) for m in (before, now)]
    taken = beam * np.maximum(darker[0] - darker[1], 0.0)
    month = (np.datetime64("2023-01-01") + (days - 1.0).astype(np.int64)).astype("datetime64[M]").astype(int) % 12
    by_month = np.bincount(month, taken.sum(axis=1), 12) / max(float(beam.sum()), 1e-9)
    light = np.bincount(month, beam.sum(axis=1), 12) / max(float(beam.sum()), 1e-9)
    hidden = [m.blocked_diffuse(tilt_deg, azimuth_deg) for m in (before, now)]
    spread = beam_share * by_month + (1.0 - beam_share) * max(hidden[1] - hidden[0], 0.0) * light
    return float(spread.sum()), np.asarray(spread)
