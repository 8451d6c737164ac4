"""Expected energy of real systems beside what they made, for the table of `tests.benchmarks.expected`.

Data: SOLETE (Risoe, Denmark; Data in Brief 42 (2022) 108046, CC BY 4.0), with the sensor in its plane and with the
level one; PVDAQ system 50 (Golden, Colorado; CC BY 4.0, doi 10.25984/1846021) of 2011 to 2013, whose stamps follow
daylight saving time although they say otherwise, as they are and put right, and of 2016 as SERF East.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd

from tests.opendata.test_rungs import GOLDEN, RISOE, STAMP, run

SERF_EAST = GOLDEN | {"first": "2016-05-03", "rated_ac": 6000, "modules": 24, "weather_minutes": 15}


def real_days(folder: Path) -> pd.DataFrame:
    """Days of all systems, in the columns of the invented homes."""
    power, weather = risoe(folder)
    parts = [
        days_of("SOLETE, plane sensor", RISOE, "poa air wind", power, weather),
        days_of("SOLETE, level sensor", RISOE, "ghi air wind", power, weather),
        days_of("system 50, satellite", GOLDEN, "ghi air", *system_50(folder, right=False)),
        days_of("system 50, clock put right", GOLDEN, "ghi air", *system_50(folder, right=True)),
        days_of("SERF East, satellite", SERF_EAST, "ghi air", *serf_east(folder)),
    ]
    return pd.concat(parts)


def days_of(
    name: str, site: dict[str, object], columns: str, power: pd.DataFrame, weather: pd.DataFrame
) -> pd.DataFrame:
    """Days of one system, through the command line."""
    with tempfile.TemporaryDirectory() as place:
        days = run(Path(place) / "fleet", site, columns, power, weather).days
    figures = {part: days[f"{name_of}_kwh"] for part, name_of in FIGURES.items()}
    return pd.DataFrame(
        {"seed": 0, "site": name, "subject": days["subject"], "day": days["date"], "source": name, **figures}
    )


FIGURES = {"measured": "measured", "expected": "expected", "low": "expected_low", "high": "expected_high"}


def risoe(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Power and weather of SOLETE."""
    table = pd.read_csv(folder / "solete_risoe" / "SOLETE_60min.csv", index_col=0, parse_dates=True)
    t = pd.DatetimeIndex(table.index).strftime(STAMP)
    given = {
        "ghi": 1000.0 * table["GHI[kW1m2]"], "poa": 1000.0 * table["POA Irr[kW1m2]"],
        "air": table["TEMPERATURE[degC]"], "wind": table["WIND_SPEED[m1s]"],
    }  # fmt: skip
    weather = pd.DataFrame({k: v.to_numpy() for k, v in given.items()}).assign(t=t)
    return pd.DataFrame({"t": t, "ac": 1000.0 * table["P_Solar[kW]"].to_numpy()}), weather


def system_50(folder: Path, *, right: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Power and satellite weather of three years; `right`: without the hour that summer's stamps are late."""
    place = folder / "pvdaq_samples"
    log = pd.read_parquet(place / "system_50_ac_power_2_full_DST.parquet")
    sky = pd.read_parquet(place / "system_50_ac_power_2_full_DST_psm3.parquet")
    stamps = pd.DatetimeIndex(pd.to_datetime(log["measured_on"])).tz_convert("UTC")
    if right:
        civil = stamps.tz_convert("Etc/GMT+7").tz_localize(None)
        known = civil.tz_localize("America/Denver", ambiguous="NaT", nonexistent="NaT").tz_convert("UTC")
        log, stamps = log[~known.isna()], known[~known.isna()]
    power = pd.DataFrame({"t": stamps.strftime(STAMP), "ac": log["ac_power_2"].to_numpy()})
    return power, frame_of(sky["index"], sky)


def serf_east(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Power and satellite weather of a summer."""
    place = folder / "pvdaq_samples"
    log, sky = (pd.read_csv(place / f"serf_east_{name}.csv") for name in ("15min_ac_power", "psm3_data"))
    at = pd.to_datetime(log["measured_on"], utc=True).dt.strftime(STAMP)
    return pd.DataFrame({"t": at, "ac": log["ac_power"]}), frame_of(sky["measured_on"], sky)


def frame_of(at: pd.Series, sky: pd.DataFrame) -> pd.DataFrame:
    """Stamps, level irradiance and air temperature."""
    stamps = pd.to_datetime(at, utc=True).dt.strftime(STAMP)
    return pd.DataFrame({"t": stamps, "ghi": sky["ghi"], "air": sky["temp_air"]})
