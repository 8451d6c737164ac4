"""The weather of a region and of each place in it: air, haze, wind, snow."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from monitor.demo.chance import Flags, Floats, red_noise, stream
from monitor.demo.clouds import Cover, cloud_fields, cover_at, regional_cover, through_clouds
from monitor.demo.sky import Light, Sun, cloudless, sun_path
from monitor.demo.span import STEPS_PER_DAY, STEPS_PER_HOUR, Span

SNOW_STAYS_BELOW_C = 2.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where a home stands."""

    latitude: float
    longitude: float
    altitude_m: float
    east_km: float
    north_km: float


@dataclass(frozen=True, eq=False)
class Region:
    """What all places share, on the span's steps."""

    span: Span
    cover: Cover
    fields: Floats  # one row a place
    aerosol_depth: Floats
    vapour_cm: Floats
    temperature_c: Floats
    wind_m_s: Floats
    snowfall: Flags
    rain_mm: Floats  # by day
    haze_from: date


@dataclass(frozen=True, eq=False)
class Weather:
    """What one place has: the sun and the light on its lit steps, the rest on all steps."""

    sun: Sun
    clear: Light
    light: Light
    cover: Cover
    temperature_c: Floats
    wind_m_s: Floats
    snowfall: Flags


def draw_region(span: Span, places: list[Place], seed: int, *, dark_weeks: int = 0) -> Region:
    """Draw the weather of a region over a span; so many weeks from mid-December on lie under closed skies."""
    cover = regional_cover(span, stream(seed, "regimes"))
    if dark_weeks:
        cover = _darkened(span, cover, dark_weeks, stream(seed, "dark"))
    places_km = np.array([(p.east_km, p.north_km) for p in places])
    rng = stream(seed, "air")
    haze_day = int(rng.integers(max(span.days - 14, 1)))
    aerosol, vapour = _haze(span, haze_day, rng)
    temperature = _temperature(span, cover, rng)
    return Region(
        span=span,
        cover=cover,
        fields=cloud_fields(span, places_km, stream(seed, "fields")),
        aerosol_depth=aerosol,
        vapour_cm=vapour,
        temperature_c=temperature,
        wind_m_s=3.2 * np.exp(0.5 * red_noise(rng.standard_normal(len(span)), 10.0 * STEPS_PER_HOUR) - 0.125),
        snowfall=_snowfall(temperature, cover, rng),
        rain_mm=_rain(span, cover, stream(seed, "rain")),
        haze_from=span.day(haze_day),
    )


def weather_at(region: Region, place: Place, number: int, rng: np.random.Generator) -> Weather:
    """The weather of the place with this row in the region's fields."""
    sun = sun_path(region.span, place.latitude, place.longitude)
    clear = cloudless(sun, region.aerosol_depth[sun.lit], region.vapour_cm[sun.lit], place.altitude_m)
    cover = cover_at(region.cover, place.east_km, rng.uniform(-0.025, 0.025))
    own = 0.6 * red_noise(rng.standard_normal(len(region.span)), 6.0 * STEPS_PER_HOUR)
    return Weather(
        sun=sun,
        clear=clear,
        light=through_clouds(clear, sun, cover, region.fields[number]),
        cover=cover,
        temperature_c=region.temperature_c - 0.0065 * (place.altitude_m - 80.0) + rng.normal(0.0, 0.4) + own,
        wind_m_s=region.wind_m_s * rng.uniform(0.7, 1.3),
        snowfall=region.snowfall,
    )


def snow_on_roof(weather: Weather, tilt_deg: float, patience: float = 1.0) -> Flags:
    """Steps on which snow lies on a pitch: from a fall until it has thawed; a steep pitch sheds sooner."""
    warm = np.maximum(weather.temperature_c - SNOW_STAYS_BELOW_C, 0.0) / STEPS_PER_HOUR
    limit = patience * float(np.interp(tilt_deg, (15.0, 45.0), (10.0, 3.0)))  # degree hours
    lies = np.zeros(len(warm), bool)
    thawed = np.concatenate(([0.0], np.cumsum(warm)))
    for fall in np.flatnonzero(weather.snowfall):
        lies[fall : int(np.searchsorted(thawed, thawed[fall] + limit))] = True
    return lies


def on_days(weather: Weather, span: Span, days: Flags) -> Weather:
    """The same weather with the sun on some days only; what happens in the night between is as it was."""
    kept = days[span.day_index[weather.sun.lit]]
    sun, clear, light = weather.sun, weather.clear, weather.light
    return replace(
        weather,
        sun=Sun(sun.lit[kept], sun.elevation_deg[kept], sun.azimuth_deg[kept], sun.extra_w_m2[kept]),
        clear=Light(clear.ghi[kept], clear.dni[kept], clear.dhi[kept]),
        light=Light(light.ghi[kept], light.dni[kept], light.dhi[kept]),
    )


def _darkened(span: Span, cover: Cover, weeks: int, rng: np.random.Generator) -> Cover:
    into_winter = (span.year_angle / (2.0 * np.pi) * 365.0 - 345.0 - rng.integers(0, 20)) % 365.0
    dark = into_winter < 7.0 * weeks
    return Cover(np.where(dark, np.maximum(cover.share, 1.15), cover.share), np.where(dark, 1.0, cover.density))


def _daily(span: Span, rng: np.random.Generator, memory_days: float) -> Floats:
    """A daily AR(1) series of unit variance, drawn out to the span's steps."""
    days = red_noise(rng.standard_normal(span.days + 2), memory_days)
    return np.interp(np.arange(len(span)) / STEPS_PER_DAY, np.arange(span.days + 2), days)


def _haze(span: Span, haze_day: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Aerosol optical depth at 700 nm and precipitable water; one fortnight is hazy."""
    summer = 0.5 - 0.5 * np.cos(span.year_angle - 0.35)
    hazy = (span.day_index >= haze_day) & (span.day_index < haze_day + 14)
    depth = (0.06 + 0.035 * summer) * np.exp(0.42 * _daily(span, rng, 2.5)) * np.where(hazy, 2.2, 1.0)
    vapour = (0.9 + 1.2 * summer) * np.exp(0.28 * _daily(span, rng, 2.0))
    return np.clip(depth, 0.02, 0.42), np.clip(vapour, 0.3, 4.5)


def _temperature(span: Span, cover: Cover, rng: np.random.Generator) -> Floats:
    """Air temperature: season, a winter of its own, spells of days, and a swing that clouds damp."""
    season = -np.cos(span.year_angle - 0.40)
    winter = np.clip(-season, 0.0, 1.0)
    openness = 1.0 - np.clip(cover.share, 0.0, 1.0)
    swing = (1.4 + 4.2 * openness) * (0.75 + 0.35 * season)
    hour = span.starts % 86400 / 3600.0
    return np.asarray(
        10.6 + 6.3 * season + winter * rng.normal(-0.8, 1.2) + 3.0 * _daily(span, rng, 3.5)
        + 1.5 * season * openness - swing * np.cos(2 * np.pi * (hour - 3.0) / 24.0)
    )  # fmt: skip


def _snowfall(temperature_c: Floats, cover: Cover, rng: np.random.Generator) -> Flags:
    """Steps at which snow falls: cold, all covered, and not often."""
    return np.asarray((temperature_c < 0.8) & (cover.share > 1.0) & (rng.random(len(temperature_c)) < 0.002))


def _rain(span: Span, cover: Cover, rng: np.random.Generator) -> Floats:
    """Rain of each day [mm]: from closed skies, on about every second of them."""
    closed = np.bincount(span.day_index, cover.share > 1.0, minlength=span.days) / STEPS_PER_DAY
    falls = (closed > 0.25) & (rng.random(span.days) < 0.55)
    return np.asarray(np.where(falls, closed * rng.gamma(0.9, 8.0, span.days), 0.0))
