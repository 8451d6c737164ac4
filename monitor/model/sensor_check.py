"""Whether a site's plane irradiance sensor can be believed, told by its clear days."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.gain import PRIOR_SIGMA, Gains
from monitor.model.ladder import SENSOR_SIGMA, Rung
from monitor.model.numbers import Nights
from monitor.model.physics import CLEAR_NODE, Physics

Verdict = Literal["believed", "not_yet", "doubted"]

UNCHECKED_SIGMA = 0.10
# Planning values, all of them.
_RECENT = 20  # clear days that count
_LEAST_DAYS = 5
_LEAST_CELLS = 8
_BRIGHT_W_M2 = 100.0
_SECTOR_DEG = 30.0
_SHADED, _MOSTLY = 0.85, 0.8  # ratio in a sector, share of days
_STILL, _STILL_DAYS = 0.5, 3  # share of a day's readings that repeat; nights of the last five
_NIGHT_W_M2 = 15.0
_POOR_FIT, _BETTER = 0.04, 0.6
_LEVEL = (0.75, 1.25)
_DRIFT, _MORE_THAN_ROOF = 0.10, 0.07  # log ratios


@dataclass(frozen=True, slots=True)
class SensorTrust:
    """A verdict, the sentence that goes with it, and sectors of sun azimuth in which something shades the sensor."""

    verdict: Verdict = "not_yet"
    remark: str = ""
    shaded: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SensorDay:
    """A sensor beside the site on one day.

    `plane_w_m2` are its readings on the grid, shape (T,); `repeats` the share of its daylight readings that repeat
    the one before; `clear` what the site's own power shows to be clear; `own_level` that power over the cloudless.
    """

    plane_w_m2: Values
    repeats: float | None
    clear: Mask
    own_level: Values


def sensor_features(day: SensorDay, physics: Physics, plane: str) -> dict[str, float | None]:
    """Numbers of one day from which later nights judge the sensor; `plane` is where the site file puts it."""
    found: dict[str, float | None] = {"sensor_repeats": day.repeats}
    dark = (physics.sun.elevation_deg < -6.0) & ~np.isnan(day.plane_w_m2)
    if dark.any():
        found["sensor_night"] = float(np.median(day.plane_w_m2[dark]))
    stated = physics.plane_w_m2[plane][CLEAR_NODE]
    cells = day.clear & ~np.isnan(day.plane_w_m2) & (stated > _BRIGHT_W_M2)
    if np.count_nonzero(cells) < _LEAST_CELLS:
        return {k: v for k, v in found.items() if v is not None}
    seen = day.plane_w_m2[cells]
    found["sensor_level"] = float(np.median(seen / stated[cells]))
    found["own_level"] = float(np.nanmedian(day.own_level[cells]))
    found |= {f"sensor_misfit:{name}": _misfit(seen, curve[cells]) for name, curve in _curves(physics).items()}
    ratio = seen / stated[cells] / day.own_level[cells]
    sector = (physics.sun.azimuth_deg[cells] // _SECTOR_DEG).astype(np.int64)
    found |= {
        f"sensor_at:{int(s * _SECTOR_DEG)}": float(np.median(ratio[sector == s]) / np.quantile(ratio, 0.75))
        for s in np.unique(sector)
        if np.count_nonzero(sector == s) >= 2
    }
    return {k: v for k, v in found.items() if v is not None}


def _curves(physics: Physics) -> dict[str, Values]:
    """Cloudless irradiance in all planes of the site, and level."""
    planes = {name: np.asarray(table[CLEAR_NODE]) for name, table in physics.plane_w_m2.items()}
    return {**planes, "level": physics.clear.ghi}


def _misfit(seen: Values, curve: Values) -> float:
    """Relative rms by which readings miss a curve at the best factor."""
    both, own, square = float(curve @ seen), float(seen @ seen), float(curve @ curve)
    return float(np.sqrt(max(1.0 - both**2 / (own * square), 0.0))) if own > 0.0 and square > 0.0 else 1.0


def sensor_trust(nights: Nights, gains: Iterable[Gains], plane: str) -> SensorTrust:
    """Judge the sensor by the daily features of the site's nights before, oldest first.

    Parameters
    ----------
    nights : Nights
        Features of the site's days as `sensor_features` gives them.
    gains : iterable of Gains
        Of the site's units: where the sensor stood to the clear sky while they were learned.
    plane : str
        The plane in which the site file puts it.
    """
    remark = _plainly_wrong(nights)
    if remark:
        return SensorTrust("doubted", remark)
    days = nights.having("sensor_level").newest(_RECENT)
    if len(days) < _LEAST_DAYS:
        return SensorTrust(remark=f"the irradiance sensor is not checked yet: {len(days)} clear days of {_LEAST_DAYS}")
    remark = _other_plane(days, plane) or _off_level(days, gains)
    if remark:
        return SensorTrust("doubted", remark)
    return _shading(days)


def _plainly_wrong(nights: Nights) -> str:
    repeats = nights.known("sensor_repeats")[-5:]
    if np.count_nonzero(repeats > _STILL) >= _STILL_DAYS:
        return "the irradiance sensor repeats the same value for most of the day"
    dark = nights.known("sensor_night")[-10:]
    if len(dark) >= _LEAST_DAYS and abs(float(np.median(dark))) > _NIGHT_W_M2:
        return f"the irradiance sensor reads {np.median(dark):.0f} W/m2 at night"
    return ""


def _other_plane(days: Nights, plane: str) -> str:
    misfits = {name.partition(":")[2]: float(np.median(days.known(name))) for name in days.named("sensor_misfit:")}
    stated = misfits.get(plane, 0.0)
    best = min(misfits, key=lambda name: misfits[name], default=plane)
    if stated < _POOR_FIT or misfits[best] > _BETTER * stated:
        return ""
    where = "lies level" if best == "level" else f"lies in the plane {best!r}"
    return f"the irradiance sensor looks as if it {where}, and not in the plane {plane!r}: check where it is mounted"


def _off_level(days: Nights, gains: Iterable[Gains]) -> str:
    sensor, own = (float(np.median(days.column(k))) for k in ("sensor_level", "own_level"))
    if not _LEVEL[0] < sensor < _LEVEL[1]:
        return f"the irradiance sensor reads {sensor:.0%} of a cloudless sky on clear days"
    learned = [g.sensor / g.clear_sky for g in gains if g.sigma < PRIOR_SIGMA and g.clear_sky > 0.0]
    if not learned:
        return ""
    drift, roof = np.log(sensor * float(np.median(learned))), np.log(own)
    # Haze moves both alike, dirt on the roof only the power.
    if abs(drift) < _DRIFT or abs(drift) - abs(roof) < _MORE_THAN_ROOF or abs(drift - roof) < _MORE_THAN_ROOF:
        return ""
    return (
        f"the irradiance sensor's level has moved by {np.exp(drift) - 1.0:+.0%} on clear days, and the roof's has not"
    )


def _shading(days: Nights) -> SensorTrust:
    seen = {int(name.partition(":")[2]): days.known(name) for name in days.named("sensor_at:")}
    seen = {at: ratios for at, ratios in seen.items() if ratios.size >= _LEAST_DAYS}
    shaded = tuple(sorted(at for at, ratios in seen.items() if np.mean(ratios < _SHADED) >= _MOSTLY))
    if not shaded:
        return SensorTrust("believed")
    if 2 * len(shaded) > len(seen):
        return SensorTrust("doubted", "the irradiance sensor is shaded at most places of the sun")
    places = ", ".join(f"{at} to {at + int(_SECTOR_DEG)}" for at in shaded)
    return SensorTrust("believed", f"the irradiance sensor is shaded when the sun stands at {places} degrees", shaded)


def believed(rung: Rung, physics: Physics, trust: SensorTrust) -> Rung | None:
    """The sensor's rung as far as it can be believed; None of a doubted one, wide of one that is not checked yet."""
    if trust.verdict == "doubted":
        return None
    sigma = SENSOR_SIGMA if trust.verdict == "believed" else UNCHECKED_SIGMA
    if not trust.shaded:
        return Rung(rung.name, rung.power_w, rung.index, sigma)
    sector = (physics.sun.azimuth_deg // _SECTOR_DEG) * _SECTOR_DEG
    dark = np.isin(sector, trust.shaded)
    powers = {s: np.where(dark, np.nan, p) for s, p in rung.power_w.items()}
    return Rung(rung.name, powers, np.where(dark, np.nan, rung.index), sigma)
