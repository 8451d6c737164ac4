"""Irradiance on a tilted plane, and what of it passes the glass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pvlib import iam, irradiance

from ingest.readings import Values
from monitor.model.sky import Sky
from monitor.model.sun import Sun

# Grass and roofs around homes; common practice.
ALBEDO = 0.2


@dataclass(frozen=True, slots=True)
class OnPlane:
    """Irradiance in the plane [W/m2]: all of it, and the part that reaches the cells. One shape.

    `beam_effective` is the part of `effective` that comes straight from the sun and from close around it, and that an
    obstruction before the sun takes away.
    """

    total: Values
    effective: Values
    beam_effective: Values


def on_plane(sky: Sky, sun: Sun, *, tilt_deg: float, azimuth_deg: float) -> OnPlane:
    """Transpose horizontal irradiance onto a plane.

    Parameters
    ----------
    sky : Sky
        Horizontal irradiance, shape (T,) or (K, T).
    sun : Sun
        Sun of the same times, shape (T,).
    tilt_deg, azimuth_deg : float
        Plane's tilt from horizontal and azimuth clockwise from north.

    Returns
    -------
    OnPlane
        W/m2, shape of `sky`.

    References
    ----------
    Hay and Davies (1980), as in Loutzenhiser et al., Solar Energy 81 (2007) 254; glass: De Soto et al., Solar
    Energy 80 (2006) 78 (physical model); diffuse through glass: Xie et al. (Schlick's form integrated), as in pvlib.
    """
    cos_aoi = np.maximum(irradiance.aoi_projection(tilt_deg, azimuth_deg, sun.zenith_deg, sun.azimuth_deg), 0.0) * (
        sun.cos_zenith > 0.0
    )
    # A beam that grazes the horizon would be divided by nearly nothing: the ratio is held below that of 2 degrees.
    ratio = np.minimum(cos_aoi / np.maximum(sun.cos_zenith, 0.01745), 1.0 / 0.0349)
    diffuse = irradiance.haydavies(
        tilt_deg, azimuth_deg, sky.dhi, sky.dni, sun.dni_extra, projection_ratio=ratio, return_components=True
    )
    beam = sky.dni * cos_aoi
    ground = irradiance.get_ground_diffuse(tilt_deg, sky.ghi, albedo=ALBEDO)
    directed = beam + diffuse["poa_circumsolar"]
    broad = diffuse["poa_isotropic"]
    angle = np.degrees(np.arccos(np.clip(cos_aoi, 0.0, 1.0)))
    through_beam = np.nan_to_num(iam.physical(angle))
    through = iam.schlick_diffuse(tilt_deg)
    through_sky, through_ground = float(through["sky"]), float(np.nan_to_num(through["ground"]))
    beam_effective = directed * through_beam
    return OnPlane(
        total=directed + broad + ground,
        effective=beam_effective + broad * through_sky + ground * through_ground,
        beam_effective=beam_effective,
    )
