"""From the sky to the glass: light on a plane, and how warm the cells get behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pvlib import iam, irradiance
from scipy.signal import lfilter

from monitor.demo.chance import Flags, Floats
from monitor.demo.shade import Shade, facing
from monitor.demo.sky import Light, Sun
from monitor.demo.span import STEP_S

GLASS = 0.17  # angular loss coefficient of Martin and Ruiz for framed glass with some dirt
ALBEDO, SNOW_ALBEDO = 0.19, 0.6
UNDER_SNOW = 0.02  # light that gets through lying snow


@dataclass(frozen=True, eq=False)
class PlaneLight:
    """What the cells get on the sun's lit steps [W/m2]: in the open, and in the shade; and raw on the plane."""

    bright: Floats
    shaded: Floats
    on_plane: Floats  # before the glass, without obstructions


@dataclass(frozen=True, slots=True)
class Mounting:
    """How a roof keeps its modules warm: heat loss [W/m2/K], its growth with wind, and its delay."""

    still_w_m2_k: float
    wind_w_s_m3_k: float
    delay_min: float


def light_on(sun: Sun, light: Light, plane: tuple[float, float], shade: Shade, snow: Flags) -> PlaneLight:
    """Light on a plane of (tilt, azimuth) by Perez-Driesse, behind glass by Martin-Ruiz.

    Light from around the sun is stopped by obstructions as the beam is; the rest of the sky by the share they hide.
    """
    tilt, azimuth = plane
    cosine = np.maximum(facing(tilt, azimuth, sun.elevation_deg, sun.azimuth_deg), 0.0)
    glass = iam.martin_ruiz(np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0))), a_r=GLASS)
    even = iam.martin_ruiz_diffuse(tilt, a_r=GLASS)
    sky = irradiance.perez_driesse(
        tilt, azimuth, light.dhi, light.dni, sun.extra_w_m2, sun.zenith_deg, sun.azimuth_deg, return_components=True
    )
    ground = light.ghi * np.where(snow[sun.lit], SNOW_ALBEDO, ALBEDO) * (1.0 - np.cos(np.radians(tilt))) / 2.0
    direct = light.dni * cosine + sky["poa_circumsolar"]
    rest = np.maximum(sky["poa_isotropic"] + sky["poa_horizon"], 0.0)
    through_snow = np.where(snow[sun.lit], UNDER_SNOW, 1.0)
    diffuse = rest * float(even["sky"]) * shade.sky_seen + ground * float(even["ground"])
    return PlaneLight(
        bright=(direct * glass + diffuse) * through_snow,
        shaded=(direct * glass * shade.lets_through + diffuse) * through_snow,
        on_plane=direct + rest + ground,
    )


def cell_temperature(absorbed: Floats, air_c: Floats, wind_m_s: Floats, mounting: Mounting) -> Floats:
    """Cell temperature [degC] on all steps: heat balance with a delay, and cooling towards the open sky.

    absorbed is the light [W/m2] on all steps, nights included; a fifth of it leaves as electricity.
    """
    loss = mounting.still_w_m2_k + mounting.wind_w_s_m3_k * wind_m_s
    settled = (0.90 * absorbed * (1.0 - 0.20 / 0.90) - 45.0) / loss
    keep = float(np.exp(-STEP_S / 60.0 / mounting.delay_min))
    return np.asarray(air_c + lfilter([1.0 - keep], [1.0, -keep], settled))
