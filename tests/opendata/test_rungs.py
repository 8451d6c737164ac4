"""The rungs of the ladder on real readings, from CSV through the command line to daily energies, printed.

Data: SOLETE (Risoe, Denmark; Data in Brief 42 (2022) 108046, CC BY 4.0): 15 months of hours of a 10 kW array at tilt 60
with a pyranometer in its plane and a level one; and PVDAQ system 50 (Golden, Colorado; CC BY 4.0) with satellite
irradiance, three years whose power is stamped in daylight saving time although it says otherwise.

SOLETE's level pyranometer reads a fifth lower under a clear sky in the first two weeks than later, and the first weeks
are what gains are learned from: the weather rung has to bear that. Its array lost 6 % from one year to the next.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from click.testing import CliRunner

from monitor.cli import aftercare

STAMP = "%Y-%m-%dT%H:%M:%SZ"
FLEET = '[fleet]\nname = "Open data"\ntimezone = "UTC"\n'
COLUMNS = {
    "ghi": '{ column = "ghi", quantity = "irradiance_ghi", of = "site", unit = "W/m2" }',
    "poa": '{ column = "poa", quantity = "irradiance_poa", of = "site", unit = "W/m2" }',
    "air": '{ column = "air", quantity = "temperature_air", of = "site", unit = "degC" }',
    "wind": '{ column = "wind", quantity = "wind_speed", of = "site", unit = "m/s" }',
}
SITE = """
[site]
id = "x"
name = "X"
latitude = {latitude}
longitude = {longitude}
altitude_m = {altitude}
timezone = "{zone}"
commissioned = {first}

[[plane]]
id = "main"
tilt_deg = {tilt}
azimuth_deg = {azimuth}

[[inverter]]
id = "inv1"
rated_ac_w = {rated_ac}

[[string]]
id = "s1"
inverter = "inv1"
plane = "main"
modules = {modules}
[string.module]
pmp_w = 250
vmp_v = 30.0
imp_a = 8.3
voc_v = 37.0
isc_a = 8.9
gamma_pmp_pct_per_c = -0.45

[[source]]
id = "log"
kind = "table"
files = "incoming/ac.csv"
interval_minutes = {minutes}
time = {{ column = "t", zone = "UTC", marks = "start" }}
columns = [{{ column = "ac", quantity = "ac_power", of = "inverter:inv1", unit = "W" }}]

[[source]]
id = "weather"
kind = "table"
files = "incoming/weather.csv"
interval_minutes = {weather_minutes}
time = {{ column = "t", zone = "UTC", marks = "start" }}
columns = [{columns}]
"""
RISOE = {
    "latitude": 55.6867, "longitude": 12.0985, "altitude": 10, "zone": "Etc/GMT-1", "first": "2018-06-01", "tilt": 60,
    "azimuth": 180, "rated_ac": 10_000, "modules": 40, "minutes": 60, "weather_minutes": 60,
}  # fmt: skip
GOLDEN = {
    "latitude": 39.742, "longitude": -105.1727, "altitude": 1830, "zone": "Etc/GMT+7", "first": "2011-04-15",
    "tilt": 45, "azimuth": 158, "rated_ac": 3600, "modules": 16, "minutes": 15, "weather_minutes": 30,
}  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """Daily figures of the inverter once its gains are learned, and the daily features of inverter and site."""

    days: pd.DataFrame
    unit: pd.DataFrame
    site: pd.DataFrame

    @property
    def rmse(self) -> float:
        """Daily RMSE over the mean day."""
        off = self.days.expected_kwh - self.days.measured_kwh
        return float(np.sqrt((off**2).mean()) / self.days.measured_kwh.mean())

    @property
    def months(self) -> pd.Series:
        """Bias of each month's energy."""
        month = self.days.groupby(self.days.date.str[:7])[["measured_kwh", "expected_kwh"]].sum()
        return month.expected_kwh / month.measured_kwh - 1.0

    def tell(self, name: str) -> None:
        """Print the figures."""
        d, bias = self.days, self.months
        r = np.corrcoef(d.measured_kwh, d.expected_kwh)[0, 1]
        held = (d.measured_kwh >= d.expected_low_kwh) & (d.measured_kwh <= d.expected_high_kwh)
        print(
            f"\n{name}: {len(d)} days, r {r:.4f}, daily RMSE {self.rmse:.1%}, bias "
            f"{d.expected_kwh.sum() / d.measured_kwh.sum() - 1.0:+.1%}, months {bias.abs().mean():.1%} on average "
            f"({bias.min():+.1%} to {bias.max():+.1%}), in range {held.mean():.0%}"
        )


def run(folder: Path, site: dict[str, object], columns: str, power: pd.DataFrame, weather: pd.DataFrame) -> Outcome:
    (folder / "sites").mkdir(parents=True)
    (folder / "incoming").mkdir()
    (folder / "fleet.toml").write_text(FLEET)
    told = ", ".join(COLUMNS[name] for name in columns.split())
    (folder / "sites" / "x.toml").write_text(SITE.format(**site, columns=told))
    power.to_csv(folder / "incoming" / "ac.csv", index=False)
    weather.to_csv(folder / "incoming" / "weather.csv", index=False)
    runner, out = CliRunner(), folder / "yields.csv"
    for words in (
        ["ingest", str(folder)],
        ["assess", str(folder), "--from", str(site["first"])],
        ["yields", str(folder), "x", "--out", str(out)],
    ):
        result = runner.invoke(aftercare, words)
        assert result.exit_code == 0, result.output
    table = pd.read_csv(out)
    days = table[table.subject == "inverter:inv1"].dropna(subset=["measured_kwh", "expected_kwh"])
    learned = str(np.datetime64(str(site["first"])) + 90)
    days = days[(days.date >= learned) & (days.measured_kwh > 0.02 * days.measured_kwh.max())]
    return Outcome(days, features(folder, "inverter:inv1"), features(folder, "site"))


def features(folder: Path, subject: str) -> pd.DataFrame:
    with sqlite3.connect(folder / "aftercare.db") as conn:
        rows = conn.execute("select day, features from daily where subject = ? order by day", [subject]).fetchall()
    return pd.DataFrame([json.loads(text) for _, text in rows], index=pd.to_datetime([day for day, _ in rows]))


def in_months(series: pd.Series, *months: int) -> npt.NDArray[np.bool_]:
    return np.isin(pd.DatetimeIndex(series.index).month, months)


@pytest.fixture(scope="module")
def risoe(opendata: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    table = pd.read_csv(opendata / "solete_risoe" / "SOLETE_60min.csv", index_col=0, parse_dates=True)
    t = pd.DatetimeIndex(table.index).strftime(STAMP)
    given = {"ghi": 1000.0 * table["GHI[kW1m2]"], "poa": 1000.0 * table["POA Irr[kW1m2]"]}
    air = {"air": table["TEMPERATURE[degC]"], "wind": table["WIND_SPEED[m1s]"]}
    weather = pd.DataFrame({k: v.to_numpy() for k, v in (given | air).items()})
    power = pd.DataFrame({"t": t, "ac": 1000.0 * table["P_Solar[kW]"].to_numpy()})
    return power, weather.assign(t=t)


def test_the_sensor_rung_is_near_the_array_in_its_plane(
    risoe: tuple[pd.DataFrame, pd.DataFrame], tmp_path: Path
) -> None:
    outcome = run(tmp_path / "fleet", RISOE, "poa air wind", *risoe)
    outcome.tell("sensor in the plane")
    assert (outcome.days.irradiation_source == "sensor").mean() > 0.95
    assert (outcome.site.sensor_says == -1.0).sum() == 0  # nothing is wrong with it
    assert (outcome.site.sensor_says == 1.0).mean() > 0.8
    assert outcome.rmse < 0.10


def test_a_level_sensor_that_changed_while_gains_were_learned_is_followed(
    risoe: tuple[pd.DataFrame, pd.DataFrame], tmp_path: Path
) -> None:
    outcome = run(tmp_path / "fleet", RISOE, "ghi air wind", *risoe)
    outcome.tell("level sensor as weather")
    high = outcome.site["weather_high"].dropna()
    print(f"its cloudless sky: {high[:'2018-06-12'].median():.2f}, later {high['2018-06-20':].median():.2f}", end="")
    assert high["2018-06-20":].median() > high[:"2018-06-12"].median() + 0.05
    assert (outcome.site["now:weather_high"] / outcome.site["was:weather_high"]).iloc[-1] > 1.05
    assert outcome.days.expected_kwh.corr(outcome.days.measured_kwh) > 0.97


def test_without_either_the_range_is_wide_and_true(risoe: tuple[pd.DataFrame, pd.DataFrame], tmp_path: Path) -> None:
    outcome = run(tmp_path / "fleet", RISOE, "air wind", *risoe)
    outcome.tell("clear sky alone")
    d = outcome.days
    assert (d.irradiation_source == "clear_sky").all()
    assert ((d.measured_kwh >= d.expected_low_kwh) & (d.measured_kwh <= d.expected_high_kwh)).mean() > 0.8


def test_power_in_daylight_saving_time_is_seen_and_not_taken_for_late_weather(opendata: Path, tmp_path: Path) -> None:
    folder = opendata / "pvdaq_samples"
    log = pd.read_parquet(folder / "system_50_ac_power_2_full_DST.parquet")
    sky = pd.read_parquet(folder / "system_50_ac_power_2_full_DST_psm3.parquet")
    power, weather = (
        pd.DataFrame({"t": pd.to_datetime(at).dt.tz_convert("UTC").dt.strftime(STAMP), **values})
        for at, values in (
            (log["measured_on"], {"ac": log["ac_power_2"]}),
            (sky["index"], {"ghi": sky["ghi"], "air": sky["temp_air"]}),
        )
    )
    outcome = run(tmp_path / "fleet", GOLDEN, "ghi air", power, weather)
    outcome.tell("satellite beside power in daylight saving time")
    clock = outcome.unit["clock_s"].dropna()
    summer, winter = clock[in_months(clock, 5, 6, 7, 8, 9)], clock[in_months(clock, 12, 1)]
    late = outcome.site["weather_late_s"].dropna()
    print(
        f"power late by {summer.median():.0f} s in summer ({len(summer)} days), {winter.median():.0f} s in winter "
        f"({len(winter)}); weather by {late.median():.0f} s ({late.quantile(0.1):.0f} to {late.quantile(0.9):.0f})",
        end="",
    )
    assert summer.median() == pytest.approx(3600.0, abs=900.0)
    assert winter.median() == pytest.approx(0.0, abs=900.0)
    # The series' own clock does not change with the season; its half hours are instants, which this site file calls
    # starts: a quarter of an hour, found.
    assert late.median() == pytest.approx(900.0, abs=180.0)
    assert late[in_months(late, 6, 7)].median() == pytest.approx(late[in_months(late, 12, 1)].median(), abs=180.0)
    assert len(late) > 50
