"""Clouds over a region: regimes with a dwell time, and fields that neighbours share in part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.special import ndtr

from monitor.demo.chance import Floats, red_noise
from monitor.demo.sky import Light, Sun
from monitor.demo.span import STEP_S, STEPS_PER_HOUR, Span, Whole

CLOUD_SPEED_M_S = 10.0
BANDS = ((10.0, 0.30), (40.0, 0.30), (150.0, 0.25), (540.0, 0.15))  # memory in minutes, share of the variance


@dataclass(frozen=True, slots=True)
class Regime:
    """A kind of sky: how much of it is covered (above 1: all of it), how dense, how long it stays, what follows."""

    name: str
    cover: float
    density: float
    mean_hours: float
    winter_factor: float
    followed_by: tuple[tuple[str, float], ...]


REGIMES = {
    r.name: r
    for r in (
        Regime(
            "clear", -0.02, 0.5, 20.0, 1.0, (("scattered", 0.50), ("broken", 0.25), ("overcast", 0.20), ("fog", 0.05))
        ),
        Regime("scattered", 0.42, 0.75, 9.0, 0.8, (("clear", 0.28), ("broken", 0.42), ("overcast", 0.30))),
        Regime("broken", 0.80, 0.80, 14.0, 1.0, (("scattered", 0.28), ("overcast", 0.62), ("clear", 0.10))),
        Regime(
            "overcast", 1.15, 0.85, 21.0, 1.25, (("broken", 0.62), ("scattered", 0.16), ("clear", 0.17), ("fog", 0.05))
        ),
        Regime("fog", 1.40, 1.00, 6.0, 1.2, (("clear", 0.45), ("overcast", 0.35), ("scattered", 0.20))),
    )
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Cover:
    """Cloud cover and density over time, for the region or as one site meets it."""

    share: Floats
    density: Floats


def regional_cover(span: Span, rng: np.random.Generator) -> Cover:
    """Draw the sequence of regimes and smooth their changes over an hour."""
    hours = len(span) // STEPS_PER_HOUR + 1
    share, density = np.empty(hours), np.empty(hours)
    regime, at = REGIMES[str(rng.choice(list(REGIMES)[:4]))], 0
    while at < hours:
        winter = 0.5 + 0.5 * np.cos(span.year_angle[min(at * STEPS_PER_HOUR, len(span) - 1)])
        mean = regime.mean_hours * (1.0 + (regime.winter_factor - 1.0) * (2.0 * winter - 1.0))
        until = at + 1 + int(rng.gamma(1.6, mean / 1.6))
        share[at:until], density[at:until] = regime.cover, regime.density * rng.uniform(0.75, 1.25)
        regime, at = _next(regime, winter, rng), until
    steps = np.arange(len(span)) // STEPS_PER_HOUR
    return Cover(
        uniform_filter1d(share[steps], STEPS_PER_HOUR, mode="nearest"),
        uniform_filter1d(density[steps], STEPS_PER_HOUR, mode="nearest"),
    )


def _next(regime: Regime, winter: float, rng: np.random.Generator) -> Regime:
    names = [name for name, _ in regime.followed_by]
    weights = np.array([w * (winter if name == "fog" else 1.0) for name, w in regime.followed_by])
    return REGIMES[names[int(rng.choice(len(names), p=weights / weights.sum()))]]


def cloud_fields(span: Span, places_km: Floats, rng: np.random.Generator) -> Floats:
    """Cloud fields in 0..1, one row a place: the slower the fluctuation, the farther it reaches.

    Correlation of a band falls with distance d as exp(-d / (v tau / 2)), the wavelet variability model's law (Lave,
    Kleissl, Stein, IEEE Trans. Sustainable Energy 4 (2013) 501), v being the clouds' speed and tau the band's memory.
    """
    apart = np.linalg.norm(places_km[:, None, :] - places_km[None, :, :], axis=2)
    field = np.zeros((len(places_km), len(span)))
    for minutes, variance in BANDS:
        reach_km = 0.5 * CLOUD_SPEED_M_S * minutes * 60.0 / 1000.0
        together = np.exp(-apart / reach_km) + 1e-9 * np.eye(len(apart))
        noise = red_noise(rng.standard_normal(field.shape), minutes * 60.0 / STEP_S)
        field += np.sqrt(variance) * (np.linalg.cholesky(together) @ noise)
    return np.asarray(ndtr(field))


def cover_at(region: Cover, east_km: float, lean: float) -> Cover:
    """The regimes as a place meets them: weather from the west comes later in the east; some places are cloudier."""
    lag = int(round(east_km * 1000.0 / CLOUD_SPEED_M_S / STEP_S))
    at: Whole = np.clip(np.arange(len(region.share)) - lag, 0, len(region.share) - 1)
    return Cover(region.share[at] + lean, region.density[at])


def through_clouds(clear: Light, sun: Sun, cover: Cover, field: Floats) -> Light:
    """What is left of a cloudless sky: cloud where the field lies below the cover, bright rims where just above."""
    share, density, here = cover.share[sun.lit], cover.density[sun.lit], field[sun.lit]
    depth = np.maximum(share - here, 0.0) / 0.35 * density
    clouded = depth > 0.0
    rim = 0.22 * np.clip(share, 0.0, 1.0) * np.exp(-np.maximum(here - share, 0.0) / 0.07)
    index = np.where(clouded, 0.13 + 0.70 * np.exp(-depth), 1.0 + rim * (share < 0.95))
    dni = clear.dni * np.where(clouded, np.exp(-9.0 * depth), 1.0)
    level = dni * np.sin(np.radians(sun.elevation_deg))
    dhi = np.maximum(index * clear.ghi - level, 0.10 * index * clear.ghi)
    return Light(level + dhi, dni, dhi)
