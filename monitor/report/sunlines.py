"""Where the sun goes over a place: its paths by day of the year and its places by hour, for the sun-path picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values

TROPIC_DEG = 23.44
# The sun's declination on the 21st of each month, from December to June [deg]; on the way back it is the same.
# The Astronomical Almanac's low-precision sun, rounded; from memory.
DECLINATIONS = {
    "Dec": -23.4, "Jan, Nov": -20.0, "Feb, Oct": -10.7, "Mar, Sep": 0.0, "Apr, Aug": 11.9, "May, Jul": 20.2,
    "Jun": 23.4,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Places:
    """Places of the sun in a row, azimuth clockwise from north and geometric elevation [deg], below the horizon too."""

    azimuth_deg: Values
    elevation_deg: Values


def day_path(latitude: float, declination_deg: float) -> Places:
    """The sun's way through a day, from midnight to midnight of solar time, every two minutes."""
    return _places(latitude, np.full(721, declination_deg), np.linspace(-180.0, 180.0, 721))


def hour_line(latitude: float, hour_angle_deg: float) -> Places:
    """The sun's place at one hour of mean solar time, from the winter's to the summer's turn of the sun.

    On single days the sun is up to a quarter of an hour before or behind this (equation of time).
    """
    declination = np.linspace(-TROPIC_DEG, TROPIC_DEG, 41)
    return _places(latitude, declination, np.full(declination.size, hour_angle_deg))


def hour_angle(clock_hour: float, *, longitude: float, utc_offset_h: float) -> float:
    """Mean hour angle [deg], 0 when the sun is highest, of an hour of the zone's clock."""
    return 15.0 * (clock_hour - utc_offset_h - 12.0) + longitude


def in_sun_zone(latitude: float, azimuth_deg: Values, elevation_deg: Values) -> Mask:
    """Whether the sun ever stands there."""
    return np.asarray(np.abs(declination_at(latitude, azimuth_deg, elevation_deg)) <= TROPIC_DEG)


def declination_at(latitude: float, azimuth_deg: Values, elevation_deg: Values) -> Values:
    """The declination of a place in the sky [deg]."""
    phi, up = np.radians(latitude), np.radians(elevation_deg)
    sine = np.sin(phi) * np.sin(up) + np.cos(phi) * np.cos(up) * np.cos(np.radians(azimuth_deg))
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def _places(latitude: float, declination_deg: Values, hour_angle_deg: Values) -> Places:
    phi, tilt, hour = np.radians(latitude), np.radians(declination_deg), np.radians(hour_angle_deg)
    up = np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(hour)
    east = -np.cos(tilt) * np.sin(hour)
    north = np.sin(tilt) * np.cos(phi) - np.cos(tilt) * np.sin(phi) * np.cos(hour)
    return Places(np.degrees(np.arctan2(east, north)) % 360.0, np.degrees(np.arcsin(np.clip(up, -1.0, 1.0))))
