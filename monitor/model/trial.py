"""Cloudless power at chosen instants for a plane on trial, at any orientation."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np

from ingest.readings import Values
from monitor.model.clearness import Mask
from monitor.model.plane import OnPlane, on_plane
from monitor.model.power import SYSTEM_FACTOR, ac_power, cell_temperature, climatological_air_temperature, dc_power
from monitor.model.sky import Sky, clear_sky, monthly_turbidity, turbidity_on
from monitor.model.sun import Sun, sun_position

# Cloudless days are cleaner than the month's mean sky (share of its turbidity), but never cleaner than dry air.
_CLEAN, _CLEANEST = 0.8, 2.0
# Cloudless days swing more than the climatology's ordinary day [K].
_CLEAR_SWING_K = 1.5


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a roof stands."""

    latitude: float
    longitude: float
    altitude_m: float


@dataclass(frozen=True, slots=True)
class Maker:
    """What makes the power: modules of one plane, seen behind their inverter if that has a limit [W]."""

    rated_w: float
    gamma_per_c: float
    limit_w: float | None = None


@dataclass(frozen=True, slots=True)
class Guess:
    """What a plane would make: power [W], and which share of it comes straight from the sun; shape (N,)."""

    power_w: Values
    beam_share: Values


@dataclass(frozen=True, slots=True)
class Trial:
    """Sun, cloudless sky (as usual, and one unit of turbidity hazier) and air at N instants."""

    maker: Maker
    sun: Sun
    usual: Sky
    hazier: Sky
    air_c: Values
    warming: Values  # shape of the air's daily swing: 1 in mid-afternoon, -1 before dawn

    def guess(self, tilt_deg: float, azimuth_deg: float, *, hazier: bool = False) -> Guess:
        """Power of the plane at an orientation."""
        sky = self.hazier if hazier else self.usual
        plane = on_plane(sky, self.sun, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg)
        lit = plane.effective
        share = np.divide(plane.beam_effective, lit, out=np.zeros_like(lit), where=lit > 0.0)
        return Guess(self._power(plane), share)

    def part(self, keep: slice | Mask) -> Trial:
        """The same for some of the instants."""
        return Trial(
            maker=self.maker,
            sun=Sun(**{f.name: getattr(self.sun, f.name)[keep] for f in fields(Sun)}),
            usual=_part(self.usual, keep),
            hazier=_part(self.hazier, keep),
            air_c=self.air_c[keep],
            warming=self.warming[keep],
        )

    def _power(self, plane: OnPlane) -> Values:
        cell = cell_temperature(plane.total, self.air_c)
        dc = SYSTEM_FACTOR * dc_power(
            plane.effective, cell, rated_w=self.maker.rated_w, gamma_per_c=self.maker.gamma_per_c
        )
        return dc if self.maker.limit_w is None else ac_power(dc, rated_ac_w=self.maker.limit_w)


def put_on_trial(times: Values, spot: Spot, maker: Maker, air_c: Values | None = None) -> Trial:
    """Prepare instants (UTC epoch seconds, shape (N,)); `air_c` is measured air, NaN where unknown."""
    sun = sun_position(times, latitude=spot.latitude, longitude=spot.longitude, altitude_m=spot.altitude_m)
    usual = turbidity_on(sun.day_of_year, _hazes(spot))
    turbidity = np.maximum(_CLEAN * usual, _CLEANEST)
    solar_hour = (times / 3600.0 + spot.longitude / 15.0) % 24.0
    warming = np.cos(2.0 * np.pi * (solar_hour - 15.0) / 24.0)
    rough = climatological_air_temperature(times, latitude=spot.latitude, longitude=spot.longitude)
    rough = rough + _CLEAR_SWING_K * warming
    return Trial(
        maker=maker,
        sun=sun,
        usual=clear_sky(sun, turbidity, altitude_m=spot.altitude_m),
        hazier=clear_sky(sun, turbidity + 1.0, altitude_m=spot.altitude_m),
        air_c=rough if air_c is None else np.where(np.isnan(air_c), rough, air_c),
        warming=warming,
    )


@lru_cache(maxsize=16)
def _hazes(spot: Spot) -> Values:
    """The months' turbidities; the library opens its map at every call."""
    return monthly_turbidity(spot.latitude, spot.longitude)


def _part(sky: Sky, keep: slice | Mask) -> Sky:
    return Sky(sky.ghi[keep], sky.dni[keep], sky.dhi[keep])
