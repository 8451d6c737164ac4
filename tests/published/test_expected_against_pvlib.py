"""The whole path of expected energy beside plain calls of pvlib, place by place: hemispheres, azimuths, zones, poles.

The reference shares nothing with the model but pvlib and the parameters: it computes one site at a time on pandas
series with the high-level functions, times stamped in the site's own zone, and `ModelChain` once more on top.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from pvlib import clearsky, iam, inverter, irradiance, location, modelchain, pvsystem, temperature

from ingest.readings import Channel, Table, Values
from monitor.config.models import Site
from monitor.model.dayview import DayExpectation, day_view, expect, site_witness
from monitor.model.history import SiteHistory
from monitor.model.plane import ALBEDO
from monitor.model.power import ROOF_U0, ROOF_U1, SYSTEM_FACTOR, WIND_M_S
from monitor.model.sky import monthly_turbidity, turbidity_on
from monitor.model.span import SiteSpan, site_span
from tests.unit.monitor.conftest import MODULE, made_site

# pvlib itself still asks pandas for a name that pandas is about to drop.
pytestmark = pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear")
RATED_W, RATED_AC_W, GAMMA = 4000.0, 3600.0, -0.0034


@dataclass(frozen=True)
class Place:
    name: str
    latitude: float
    longitude: float
    zone: str
    tilt: float
    azimuth: float
    day: date


PLACES = [
    Place("england_south", 52.1, -1.3, "Europe/London", 35, 180, date(2026, 6, 21)),
    Place("england_east_winter", 52.1, -1.3, "Europe/London", 35, 95, date(2026, 1, 15)),
    Place("england_west", 52.1, -1.3, "Europe/London", 35, 265, date(2026, 4, 10)),
    Place("clock_forward", 48.2, 16.4, "Europe/Vienna", 30, 200, date(2026, 3, 29)),
    Place("clock_back", 48.2, 16.4, "Europe/Vienna", 30, 160, date(2026, 10, 25)),
    Place("sydney_north", -33.9, 151.2, "Australia/Sydney", 20, 330, date(2026, 1, 15)),
    Place("sydney_winter_east", -33.9, 151.2, "Australia/Sydney", 25, 80, date(2026, 6, 21)),
    Place("patagonia_west", -50.3, -72.3, "America/Argentina/Buenos_Aires", 40, 290, date(2026, 11, 5)),
    Place("colorado", 39.7, -105.2, "America/Denver", 45, 158, date(2026, 9, 1)),
    Place("near_the_date_line_east", -17.8, 178.0, "Pacific/Fiji", 15, 0, date(2026, 5, 1)),
    Place("near_the_date_line_west", 21.3, -157.9, "Pacific/Honolulu", 20, 180, date(2026, 7, 1)),
    Place("half_hour_zone", 28.6, 77.2, "Asia/Kolkata", 25, 180, date(2026, 2, 10)),
    Place("equator_north_sun", 0.3, 32.6, "Africa/Kampala", 10, 0, date(2026, 6, 21)),
    Place("equator_south_sun", 0.3, 32.6, "Africa/Kampala", 10, 180, date(2026, 12, 21)),
    Place("midnight_sun", 69.6, 18.9, "Europe/Oslo", 30, 340, date(2026, 6, 21)),
    Place("polar_night", 69.6, 18.9, "Europe/Oslo", 60, 180, date(2026, 12, 15)),
]
LIT = [p for p in PLACES if p.name != "polar_night"]


def home(place: Place, name: str = "home", **plane: float) -> Site:
    columns = [
        {"column": "p", "quantity": "dc_power", "of": "string:s1", "unit": "W"},
        {"column": "a", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
        {"column": "t", "quantity": "temperature_air", "of": "site", "unit": "degC"},
    ]
    return made_site(
        site={
            "id": name, "name": name, "latitude": place.latitude, "longitude": place.longitude, "altitude_m": 60,
            "timezone": place.zone, "commissioned": "2025-01-01",
        },
        plane=[{"id": "roof", "tilt_deg": place.tilt, "azimuth_deg": place.azimuth} | plane],
        inverter=[{"id": "inv1", "rated_ac_w": RATED_AC_W}],
        string=[{"id": "s1", "inverter": "inv1", "plane": "roof", "modules": 10, "module": MODULE}],
        meter=[],
        source=[{
            "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 15,
            "time": {"column": "t", "zone": "UTC"}, "columns": columns,
        }],
    )  # fmt: skip


def day_times(place: Place) -> pd.DatetimeIndex:
    """Middles of the quarter hours of a local day, stamped in the place's own zone."""
    begin, end = (pd.Timestamp(d).tz_localize(place.zone) for d in (place.day, place.day + timedelta(days=1)))
    return pd.date_range(begin, end, freq="15min", inclusive="left") + pd.Timedelta("450s")


def air_c(place: Place) -> Values:
    """Air temperature of the day, coldest at the first quarter hour."""
    return np.asarray(12.0 - 3.0 * np.cos(np.linspace(0.0, 2.0 * np.pi, len(day_times(place)))))


@dataclass(frozen=True)
class Plain:
    """What plain pvlib makes of a day under some sky: irradiance as a frame, powers in watts."""

    sky: pd.DataFrame
    position: pd.DataFrame
    dc_w: Values
    ac_w: Values


def plain(place: Place, *, tilt: float | None = None, azimuth: float | None = None) -> Plain:
    """Cloudless power of the home by plain pvlib."""
    tilt, azimuth = place.tilt if tilt is None else tilt, place.azimuth if azimuth is None else azimuth
    times = day_times(place)
    where = location.Location(place.latitude, place.longitude, tz=place.zone, altitude=60)
    position = where.get_solarposition(times, temperature=12.0)
    utc = times.tz_convert("UTC")
    day_of_year = utc.day_of_year + (utc.hour + utc.minute / 60.0 + utc.second / 3600.0) / 24.0
    turbidity = turbidity_on(np.asarray(day_of_year), monthly_turbidity(place.latitude, place.longitude))
    extra = irradiance.get_extra_radiation(times.tz_convert("UTC"))
    airmass = where.get_airmass(times, solar_position=position)["airmass_absolute"]
    zenith, sun_azimuth = position["apparent_zenith"], position["azimuth"]
    sky = clearsky.ineichen(zenith, airmass, pd.Series(turbidity, times), altitude=60, dni_extra=extra).fillna(0.0)
    plane = irradiance.get_total_irradiance(
        tilt, azimuth, zenith, sun_azimuth, sky["dni"], sky["ghi"], sky["dhi"], dni_extra=extra, albedo=ALBEDO,
        model="haydavies",
    )  # fmt: skip
    cosine = irradiance.aoi_projection(tilt, azimuth, zenith, sun_azimuth)
    ratio = cosine.clip(lower=0.0) / np.cos(np.radians(zenith)).clip(lower=0.01745)
    circumsolar = sky["dhi"] * sky["dni"] / extra * ratio
    glass = iam.physical(irradiance.aoi(tilt, azimuth, zenith, sun_azimuth)).fillna(0.0)
    broad = iam.schlick_diffuse(tilt)
    reached = (
        (plane["poa_direct"] + circumsolar) * glass
        + (plane["poa_sky_diffuse"] - circumsolar) * broad["sky"]
        + plane["poa_ground_diffuse"] * np.nan_to_num(broad["ground"])
    )
    cell = temperature.faiman(plane["poa_global"], air_c(place), WIND_M_S, ROOF_U0, ROOF_U1)
    dc = SYSTEM_FACTOR * pvsystem.pvwatts_dc(reached, cell, RATED_W, GAMMA)
    ac = inverter.pvwatts(dc, RATED_AC_W / 0.96).clip(lower=0.0)
    return Plain(sky.assign(extra=extra), position, np.nan_to_num(dc), np.nan_to_num(ac))


def told(place: Place, site: Site, dc_w: Values | None, ac_w: Values | None) -> SiteSpan:
    """The home's day with these readings and a measured air temperature, through the stored tables."""
    starts = ((day_times(place) - pd.Timedelta("450s")).tz_convert("UTC").as_unit("s").asi8).astype(np.int64)
    gap = np.full(starts.size, np.nan)
    table = Table(
        starts,
        {
            Channel("string:s1", "dc_power", "mean", "W"): gap if dc_w is None else dc_w,
            Channel("inverter:inv1", "ac_power", "mean", "W"): gap if ac_w is None else ac_w,
            Channel("site", "temperature_air", "mean", "degC"): air_c(place),
        },
    )
    return site_span(site, {"log": table}, place.day, place.day)


def cloudless(place: Place) -> SiteSpan:
    return told(place, home(place), None, None)


def by_neighbours(place: Place) -> DayExpectation:
    """What is expected of a silent home between two others, turned to either side, whose readings are plain pvlib's."""
    view = day_view(cloudless(place), place.day, SiteHistory())
    witnesses = []
    for name, turned in (("one", 55.0), ("other", -55.0)):
        azimuth = (place.azimuth + turned) % 360.0
        their = plain(place, tilt=25.0, azimuth=azimuth)
        site = home(place, name, tilt_deg=25.0, azimuth_deg=azimuth)
        heard = day_view(told(place, site, their.dc_w, their.ac_w), place.day, SiteHistory())
        witnesses.append(site_witness(heard, 0.5, view.physics.starts))
    return expect(view, witnesses)


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.name)
def test_cloudless_power_is_plain_pvlibs(place: Place) -> None:
    reference, span = plain(place), cloudless(place)
    day = span.physics.part(span.days[place.day])
    # Below two degrees the model lets no beam through; that costs an east or west roof one quarter of an hour.
    high = reference.position["apparent_elevation"].to_numpy() > 2.0
    for subject, power in (("string:s1", reference.dc_w), ("inverter:inv1", reference.ac_w)):
        ours = day.clear_w(subject)
        assert ours[high] == pytest.approx(power[high], abs=0.002 * RATED_W)
        assert np.abs(ours - power).max() < 0.04 * RATED_W
        assert ours.sum() == pytest.approx(power.sum(), rel=0.006, abs=1.0)


@pytest.mark.parametrize("place", LIT, ids=lambda p: p.name)
def test_the_library_chain_agrees_but_for_the_diffuse_behind_glass(place: Place) -> None:
    """ModelChain lets all diffuse light through the glass; of ours a few per cent stay outside."""
    reference, span = plain(place), cloudless(place)
    array = pvsystem.Array(
        pvsystem.FixedMount(place.tilt, place.azimuth), albedo=ALBEDO,
        module_parameters={"pdc0": SYSTEM_FACTOR * RATED_W, "gamma_pdc": GAMMA},
        temperature_model_parameters={"u0": ROOF_U0, "u1": ROOF_U1},
    )  # fmt: skip
    system = pvsystem.PVSystem([array], inverter_parameters={"pdc0": RATED_AC_W / 0.96})
    chain = modelchain.ModelChain(
        system, location.Location(place.latitude, place.longitude, tz=place.zone, altitude=60),
        aoi_model="physical", spectral_model="no_loss", losses_model="no_loss", temperature_model="faiman",
    )  # fmt: skip
    weather = reference.sky[["ghi", "dni", "dhi"]].assign(temp_air=air_c(place), wind_speed=WIND_M_S)
    energy = float(np.nansum(chain.run_model(weather).results.ac.clip(lower=0.0)))
    ours = float(span.physics.part(span.days[place.day]).clear_w("inverter:inv1").sum())
    assert 0.93 < ours / energy < 1.005


@pytest.mark.parametrize("place", LIT, ids=lambda p: p.name)
def test_neighbours_of_other_orientations_tell_the_days_energy(place: Place) -> None:
    reference = plain(place)
    expected = by_neighbours(place).units["string:s1"]
    assert expected.source == "neighbours"
    assert expected.power_w.sum() == pytest.approx(reference.dc_w.sum(), rel=0.03)
    assert expected.low_w.sum() < reference.dc_w.sum() < expected.high_w.sum()


def test_under_a_midnight_sun_a_roof_to_the_north_works_at_night() -> None:
    place = next(p for p in PLACES if p.name == "midnight_sun")
    reference, span = plain(place), cloudless(place)
    day = span.physics.part(span.days[place.day])
    assert reference.dc_w.min() > 0.0
    assert day.clear_w("string:s1").min() > 0.0
    local_hour = day_times(place).hour.to_numpy()
    night = (local_hour < 2) | (local_hour >= 23)
    assert day.clear_w("string:s1")[night].sum() == pytest.approx(reference.dc_w[night].sum(), rel=0.02)


def test_in_a_polar_night_nothing_is_expected() -> None:
    place = next(p for p in PLACES if p.name == "polar_night")
    found = by_neighbours(place)
    for unit in found.units.values():
        assert (unit.power_w.sum(), unit.low_w.sum(), unit.high_w.sum()) == (0.0, 0.0, 0.0)
        assert np.all(np.isfinite(unit.power_w))
    assert plain(place).ac_w.sum() == 0.0


@pytest.mark.parametrize("place", LIT, ids=lambda p: p.name)
def test_a_turned_azimuth_or_hemisphere_would_not_pass(place: Place) -> None:
    """The check above can fail: a mirrored roof, or the same roof across the equator, is far off."""
    span = cloudless(place)
    ours = span.physics.part(span.days[place.day]).clear_w("string:s1")
    mirrored = plain(place, azimuth=(360.0 - place.azimuth) % 360.0 if place.azimuth % 180.0 else 180.0 - place.azimuth)
    assert np.abs(ours - mirrored.dc_w).max() > 0.03 * RATED_W
