"""A roof with things before the sky, by other physics than the model's: what its string truly makes.

Cloudless sky by the simplified Solis model with turbidity from day to day, clouds from a Markov chain, Perez
transposition, Martin-Ruiz glass, Sandia cell temperature, a string that runs past its shaded part.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from pvlib import clearsky, iam, irradiance, solarposition, temperature

from ingest.readings import Seconds, Values
from monitor.config.models import Site
from tests.unit.monitor.conftest import made_site

STEP_S = 300
START = 1_767_225_600  # 2026-01-01 UTC
RATED_W = 4000.0
EDGE_DEG = 1.5  # the shade's edge needs this much sun height to cross the string


@dataclass(frozen=True)
class Thing:
    """Something before the sky, down to the horizon: from one azimuth to another, up to a top."""

    left_deg: float
    right_deg: float
    top_deg: float
    leafy: float = 0.0  # what of the beam passes, leaves on
    bare: float = 0.0
    ragged_deg: float = 0.0  # how much the top and what passes vary along it

    def top_at(self, azimuth_deg: Values) -> Values:
        """Top of the outline; -90 beside it."""
        inside = (azimuth_deg - self.left_deg) % 360.0 <= (self.right_deg - self.left_deg) % 360.0
        wave = self.ragged_deg * (np.sin(azimuth_deg / 3.1) + 0.6 * np.sin(azimuth_deg / 1.3 + 1.0))
        return np.where(inside, self.top_deg + wave, -90.0)

    def hidden(self, azimuth_deg: Values, elevation_deg: Values) -> Values:
        """Share of the string that lies behind the outline, 0 to 1."""
        return np.clip((self.top_at(azimuth_deg) - elevation_deg) / EDGE_DEG + 0.5, 0.0, 1.0)

    def passing(self, azimuth_deg: Values, elevation_deg: Values, leaf: Values) -> Values:
        """What of the beam passes behind the outline."""
        flat = self.bare + (self.leafy - self.bare) * leaf
        wave = np.sin(azimuth_deg / 2.3 + elevation_deg / 1.7) * (0.25 if self.ragged_deg else 0.0)
        return np.clip(flat * (1.0 + wave), 0.0, 1.0)


@dataclass(frozen=True)
class Roof:
    """A string on a roof, and how it differs from its papers."""

    latitude: float
    tilt_deg: float
    azimuth_deg: float
    things: tuple[Thing, ...]
    tilt_off_deg: float = 0.0
    azimuth_off_deg: float = 0.0
    gain: float = 1.0
    seed: int = 0
    years: int = 2

    def site(self) -> Site:
        """The papers."""
        place = {
            "id": "oakend", "name": "Oakend", "latitude": self.latitude, "longitude": 0.0, "altitude_m": 50,
            "timezone": "UTC", "commissioned": "2025-01-01",
        }  # fmt: skip
        plane = [{"id": "south", "tilt_deg": self.tilt_deg, "azimuth_deg": self.azimuth_deg}]
        return made_site(site=place, plane=plane)


@dataclass(frozen=True)
class Truth:
    """What truly was, in quarters of an hour: power [W], the sky's index, and what of the beam passed."""

    starts: Seconds
    power_w: Values
    unshaded_w: Values
    index: Values  # global horizontal over its cloudless value
    elevation_deg: Values
    azimuth_deg: Values
    through: Values  # of the beam past all things
    clear_days: float
    unblocked: float = field(default=1.0)  # share of the sky's even light that passes


def leaf_share(day_of_year: Values, latitude: float) -> Values:
    """0 for bare, 1 in full leaf (May to October, or half a year later)."""
    day = day_of_year if latitude >= 0.0 else (day_of_year + 182.5) % 365.0
    return np.interp(day, (100.0, 135.0, 290.0, 325.0), (0.0, 1.0, 1.0, 0.0))


def run(roof: Roof) -> Truth:
    """Let the sun pass over a roof."""
    rng = np.random.default_rng([roof.seed, 4711])
    days = 365 * roof.years
    starts = START + STEP_S * np.arange(days * 86400 // STEP_S, dtype=np.int64)
    times = pd.to_datetime(starts + STEP_S // 2, unit="s", utc=True)
    place = solarposition.get_solarposition(times, roof.latitude, 0.0, altitude=50.0, method="nrel_numpy")
    elevation = place["apparent_elevation"].to_numpy()
    azimuth = place["azimuth"].to_numpy()
    lit = elevation > 0.5
    day_of_year = times.day_of_year.to_numpy().astype(float)
    sky, index, clear_days = _sky(rng, elevation, day_of_year, lit, days, roof.latitude)
    bright, shaded, share, through, seen = _light(roof, sky, elevation[lit], azimuth[lit], day_of_year[lit])
    air = 11.0 - 0.25 * (abs(roof.latitude) - 50.0) + 4.0 * rng.standard_normal(days).repeat(288)[lit]
    power = np.zeros(lit.size)
    open_w = np.zeros(lit.size)
    open_w[lit] = _power(bright / seen[1], air, roof)
    low, high = _power(shaded, air, roof), _power(bright, air, roof)
    power[lit] = np.maximum(high * np.clip(1.0 - 1.03 * share, 0.0, 1.0), low)
    power *= 1.0 + 0.004 * rng.standard_normal(power.size)
    passed = np.ones(lit.size)
    passed[lit] = through
    quarters = [_quarter(v) for v in (power, open_w, index, elevation, azimuth, passed)]
    quarters[4] = _quarter_angle(azimuth)
    return Truth(starts[::3], *quarters, clear_days, float(seen[0]))


def _quarter(values: Values) -> Values:
    return values.reshape(-1, 3).mean(axis=1)


def _quarter_angle(degrees: Values) -> Values:
    return degrees.reshape(-1, 3)[:, 1]


def _sky(
    rng: np.random.Generator, elevation: Values, day_of_year: Values, lit: Values, days: int, latitude: float
) -> tuple[pd.DataFrame, Values, float]:
    season = np.cos(2.0 * np.pi * (day_of_year - (200.0 if latitude > 0 else 17.0)) / 365.0)
    haze = np.empty(days)
    haze[0] = 0.0
    for n in range(1, days):
        haze[n] = 0.6 * haze[n - 1] + 0.8 * rng.standard_normal()
    depth = np.clip(0.11 * np.exp(0.40 * haze).repeat(288) * (1.0 + 0.25 * season), 0.02, 0.44)
    extra = irradiance.get_extra_radiation(day_of_year[lit])
    clear = clearsky.simplified_solis(
        elevation[lit], aod700=depth[lit], precipitable_water=(1.6 + 0.8 * season)[lit], dni_extra=extra
    )
    beam, veil = _clouds(rng, days)
    dni = clear["dni"] * beam[lit]
    dhi = clear["dhi"] * (1.0 + 0.9 * (1.0 - beam[lit]) * veil[lit]) * np.where(beam[lit] < 0.02, veil[lit] + 0.25, 1.0)
    up = np.sin(np.radians(elevation[lit]))
    sky = pd.DataFrame({"ghi": dni * up + dhi, "dni": dni, "dhi": dhi, "extra": extra})
    index = np.full(lit.size, np.nan)
    index[lit] = np.clip(sky["ghi"] / np.maximum(clear["ghi"], 1.0), 0.0, 1.3)
    noon = beam.reshape(days, 288)[:, 84:204]
    return sky, np.nan_to_num(index), float(np.mean(noon.mean(axis=1) > 0.95))


def _clouds(rng: np.random.Generator, days: int) -> tuple[Values, Values]:
    """Beam passed by the clouds and brightness of the veil, every five minutes: clear, broken, thin, overcast."""
    kinds = rng.choice(4, size=days, p=(0.15, 0.37, 0.13, 0.35))
    beam, veil = np.ones(days * 288), np.ones(days * 288)
    state = 0
    dwell = np.array([40.0, 9.0, 30.0, 40.0])
    mix = np.array([[1.0, 0.0, 0.0, 0.0], [0.42, 0.28, 0.1, 0.2], [0.25, 0.15, 0.4, 0.2], [0.03, 0.12, 0.1, 0.75]])
    for day in range(days):
        at = day * 288
        while at < (day + 1) * 288:
            state = int(rng.choice(4, p=mix[kinds[day]]))
            length = max(1, int(rng.exponential(dwell[state])))
            part = slice(at, min(at + length, (day + 1) * 288))
            size = part.stop - part.start
            if state == 1:
                beam[part] = rng.choice([0.0, 0.3, 1.0], p=(0.4, 0.15, 0.45), size=size)
                veil[part] = rng.uniform(0.8, 1.6)
            elif state == 2:
                beam[part] = rng.uniform(0.4, 0.9)
            elif state == 3:
                beam[part], veil[part] = 0.0, rng.uniform(0.3, 1.4)
            at = part.stop
    return beam, veil


def _light(
    roof: Roof, sky: pd.DataFrame, elevation: Values, azimuth: Values, day_of_year: Values
) -> tuple[Values, Values, Values, Values, tuple[Values, Values]]:
    """Light on the cells in the open (less the hidden sky) and in the shade, the shaded share, and what passes."""
    tilt, facing = roof.tilt_deg + roof.tilt_off_deg, roof.azimuth_deg + roof.azimuth_off_deg
    cosine = np.maximum(irradiance.aoi_projection(tilt, facing, 90.0 - elevation, azimuth), 0.0)
    airmass = 1.0 / np.sin(np.radians(np.maximum(elevation, 2.0)))
    parts = irradiance.perez(
        tilt, facing, sky["dhi"].to_numpy(), sky["dni"].to_numpy(), sky["extra"].to_numpy(), 90.0 - elevation, azimuth,
        np.minimum(airmass, 30.0), return_components=True,
    )  # fmt: skip
    glass = iam.martin_ruiz(np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0))))
    even = iam.martin_ruiz_diffuse(tilt)
    ground = sky["ghi"].to_numpy() * 0.18 * (1.0 - np.cos(np.radians(tilt))) / 2.0 * float(even["ground"])
    direct = (sky["dni"].to_numpy() * cosine + np.nan_to_num(parts["poa_circumsolar"])) * glass
    rest = np.maximum(np.nan_to_num(parts["poa_isotropic"]) + np.nan_to_num(parts["poa_horizon"]), 0.0)
    rest = rest * float(even["sky"])
    leaf = leaf_share(day_of_year, roof.latitude)
    share, passing, left = np.zeros(elevation.size), np.ones(elevation.size), 1.0
    for thing in roof.things:
        hidden = thing.hidden(azimuth, elevation)
        passes = thing.passing(azimuth, elevation, leaf)
        passing = np.where(hidden > 0.0, np.minimum(passing, passes), passing)
        share = np.maximum(share, hidden)
        left *= 1.0 - blocked(thing, tilt, facing)
    seen = rest * left + ground
    unblocked = (direct + rest + ground) / np.maximum(direct + seen, 1e-9)
    bright = direct + seen
    through = 1.0 - share * (1.0 - passing)
    return bright, direct * passing + seen, share * (passing < 1.0), through, (np.asarray(left), 1.0 / unblocked)


def blocked(thing: Thing, tilt_deg: float, azimuth_deg: float) -> float:
    """Share of an even sky's light on a plane that a thing takes away (mean of the seasons), ray by ray."""
    elevation, azimuth = (a.ravel() for a in np.meshgrid(np.arange(0.5, 90.0), np.arange(0.5, 360.0)))
    weight = np.cos(np.radians(elevation)) * np.maximum(
        irradiance.aoi_projection(tilt_deg, azimuth_deg, 90.0 - elevation, azimuth), 0.0
    )
    passes = thing.passing(azimuth, elevation, np.full(azimuth.size, 0.55))
    gone = thing.hidden(azimuth, elevation) * (1.0 - passes)
    return float((weight * gone).sum() / weight.sum())


def _power(light: Values, air_c: Values, roof: Roof) -> Values:
    cell = temperature.sapm_cell(light, air_c, 1.5, -2.98, -0.0471, 1.0)
    low_light = 1.0 + 0.025 * np.log(np.clip(light, 5.0, 1200.0) / 1000.0)
    heat = 1.0 - 0.0036 * (cell - 25.0)
    return np.maximum(0.955 * roof.gain * RATED_W * light / 1000.0 * low_light * heat, 0.0)
