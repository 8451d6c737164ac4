"""Measured series as fleet folders, for `tests.benchmarks.spliced`: power, weather, site file, and where they differ.

Data: SOLETE (Risoe, Denmark; Data in Brief 42 (2022) 108046, CC BY 4.0), PVDAQ system 50 of 2011 to 2013 and of 2016
(Golden, Colorado; CC BY 4.0, doi 10.25984/1846021), Ausgrid's solar homes, customer 12 (Sydney, 2011/12).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.expected_real import SERF_EAST, risoe, serf_east, system_50
from tests.opendata.test_rungs import COLUMNS, GOLDEN, RISOE, SITE, STAMP

SYDNEY: dict[str, object] = {
    "latitude": -33.87, "longitude": 151.2, "altitude": 30, "zone": "Australia/Sydney", "first": "2011-07-01",
    "tilt": 20, "azimuth": 330, "rated_ac": 1000, "modules": 4, "minutes": 30, "weather_minutes": 30,
}  # fmt: skip
# Of an inverter's power, what comes out of what goes in: of a series that has AC power only, its strings are invented.
_EFFICIENCY = 0.96
_NOISE, _MISMATCH = 0.005, 0.015
_BY_STRING = '{{ column = "{0}", quantity = "dc_power", of = "string:{0}", unit = "W" }}'


@dataclass(frozen=True)
class Series:
    """A measured roof: power [W] by begin of interval (UTC), weather in the columns of its source, site figures."""

    name: str
    site: dict[str, object]
    power: pd.DataFrame  # `ac`, and `s1`, `s2` where it was split
    weather: pd.DataFrame | None = None
    columns: str = ""
    faulty: bool = False  # the record itself holds a fault: it is replayed untouched only
    said: str = ""  # what about it is not measured
    sky: pd.DataFrame | None = field(default=None, repr=False)  # `ghi` where known, though the fleet may not see it

    @property
    def split(self) -> bool:
        """Whether its two strings are measured each."""
        return "s1" in self.power

    @property
    def days(self) -> pd.DatetimeIndex:
        """Local days of the record."""
        return pd.DatetimeIndex(self.local.normalize().unique())

    @property
    def local(self) -> pd.DatetimeIndex:
        """Begins of the intervals in local time, without its zone."""
        return pd.DatetimeIndex(self.power.index).tz_convert(str(self.site["zone"])).tz_localize(None)

    def kwh_by_day(self, power: pd.DataFrame | None = None) -> pd.Series:
        """Energy of each local day."""
        watts = (self.power if power is None else power)["ac"].clip(lower=0.0)
        local = pd.DatetimeIndex(watts.index).tz_convert(str(self.site["zone"])).tz_localize(None).normalize()
        return watts.groupby(local).sum() * float(str(self.site["minutes"])) / 60e3


def all_series(folder: Path) -> list[Series]:
    """All that carry a few weeks of power at a known place."""
    denmark, weather = risoe(folder)
    right, satellite = system_50(folder, right=True)
    wrong, _ = system_50(folder, right=False)
    summer, summer_sky = serf_east(folder)
    sydney = _sydney(folder)
    return [
        _series("SOLETE, plane sensor", RISOE, denmark, weather, "poa air wind"),
        in_two(_series("SOLETE, no sensor, two strings", RISOE, denmark, weather, ""), seed=1),
        _series("system 50, clock put right, satellite", GOLDEN, right, satellite, "ghi air"),
        in_two(_series("system 50, two strings, satellite", GOLDEN, right, satellite, "ghi air"), seed=2),
        _series("system 50 as recorded (a clock fault)", GOLDEN, wrong, satellite, "ghi air", faulty=True),
        _series("Ausgrid 12, alone", SYDNEY, sydney, None, ""),
        in_two(_series("Ausgrid 12, two strings, alone", SYDNEY, sydney, None, ""), seed=3),
        _series("SERF East 2016, satellite", SERF_EAST | {"first": "2016-07-01"}, summer, summer_sky, "ghi air"),
    ]


def in_two(series: Series, *, seed: int) -> Series:
    """The same roof with its power as two strings: measured light, invented mismatch and instrument noise."""
    rng = np.random.default_rng(seed)
    power = series.power.copy()
    for name, share in (("s1", 0.5 * (1.0 + _MISMATCH)), ("s2", 0.5 * (1.0 - _MISMATCH))):
        noise = 1.0 + _NOISE * rng.standard_normal(len(power))
        power[name] = share * power["ac"].clip(lower=0.0) / _EFFICIENCY * noise
    said = f"strings invented: {_MISMATCH:.1%} mismatch, {_NOISE:.1%} noise"
    return replace(series, power=power, said=said)


def lay_out(series: Series, folder: Path) -> None:
    """The fleet folder: settings, site file, weather; power arrives later (`deliver`)."""
    (folder / "sites").mkdir(parents=True)
    (folder / "incoming").mkdir()
    (folder / "fleet.toml").write_text(f'[fleet]\nname = "Open data"\ntimezone = "{series.site["zone"]}"\n')
    told = ", ".join(COLUMNS[name] for name in series.columns.split())
    text = SITE.format(**series.site, columns=told).replace("incoming/ac.csv", "incoming/ac_*.csv")
    if not told:
        text = text[: text.index('[[source]]\nid = "weather"')]
    if series.split:
        text = _with_two_strings(text, int(str(series.site["modules"])))
    (folder / "sites" / "x.toml").write_text(text)
    if told and series.weather is not None:
        series.weather.to_csv(folder / "incoming" / "weather.csv", index=False)


def deliver(series: Series, folder: Path, power: pd.DataFrame, name: str) -> Path:
    """An export file with some of the power."""
    path = folder / "incoming" / f"ac_{name}.csv"
    power.assign(t=pd.DatetimeIndex(power.index).strftime(STAMP)).to_csv(path, index=False)
    return path


def _with_two_strings(text: str, modules: int) -> str:
    string = text[text.index("[[string]]") : text.index("[[source]]")]
    half = string.replace(f"modules = {modules}", f"modules = {modules // 2}")
    text = text.replace(string, half + half.replace('"s1"', '"s2"'))
    points = ", ".join(_BY_STRING.format(s) for s in ("s1", "s2"))
    return text.replace('of = "inverter:inv1", unit = "W" }', f'of = "inverter:inv1", unit = "W" }}, {points}')


def _series(
    name: str, site: dict[str, object], power: pd.DataFrame, weather: pd.DataFrame | None, columns: str, *,
    faulty: bool = False,
) -> Series:  # fmt: skip
    indexed = pd.DataFrame({"ac": power["ac"].to_numpy(float)}, index=pd.DatetimeIndex(pd.to_datetime(power["t"])))
    indexed = indexed[~indexed.index.duplicated()].sort_index().dropna()
    sky = None
    if weather is not None:
        at = pd.DatetimeIndex(pd.to_datetime(weather["t"], utc=True))
        inside = (at >= indexed.index[0]) & (at <= indexed.index[-1])
        weather = weather[inside]
        sky = pd.DataFrame({"ghi": weather["ghi"].to_numpy(float)}, index=at[inside])
    return Series(name, site, indexed, weather, columns, faulty, "", sky)


def _sydney(folder: Path) -> pd.DataFrame:
    """Civil time with 48 rows on every day: the repeated and the skipped hour are left out."""
    table = pd.read_csv(folder / "ausgrid_customer12" / "data_2011-2012.csv", index_col=0, parse_dates=True)
    civil = pd.DatetimeIndex(table.index)
    known = civil.tz_localize("Australia/Sydney", ambiguous="NaT", nonexistent="NaT").tz_convert("UTC")
    return pd.DataFrame({"t": known.strftime(STAMP), "ac": 1000.0 * table["GG"].to_numpy()})[~known.isna()]
