"""How many readings of healthy real systems get a mark, and how many of known faults are found.

Data: samples of PVDAQ, DuraMAT and MIDC as shipped with pvanalytics (CC BY 4.0 and MIT), SOLETE (CC BY 4.0).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ingest.quality import Flags, Mark, Rating, clock_shift_s, limits_for, mark_table
from ingest.readings import Channel, Table, Values
from monitor.model.grid import grid, spread
from monitor.model.physics import site_physics
from tests.unit.monitor.conftest import MODULE, made_site

MST_S = -7 * 3600
PVDAQ = "pvdaq_samples"
# file, column, rating [W] (None: irradiance), factor to W, step [s], seconds from the file's stamps to local time
HEALTHY = [
    ("serf_east_15min_ac_power.csv", "ac_power", 6000.0, 1.0, 900, MST_S),
    ("serf_east_1min_ac_power.csv", "ac_power__752", 6000.0, 1.0, 60, MST_S),
    ("nrel_1axis_tracker_mesa_ac_power.csv", "ac_power", 330_000.0, 1000.0, 900, -6 * 3600),
    ("serf_west_15min.csv", "ac_power__773", 6000.0, 1.0, 900, 0),
    ("serf_west_15min.csv", "poa_irradiance__771", None, 1.0, 900, 0),
    ("ac_power_inv_7539.csv", "value_normalized", 5000.0, 5000.0, 900, 0),
    ("irradiance_RMIS_NREL.csv", "irradiance_ghi__7981", None, 1.0, 300, 0),
    ("irradiance_RMIS_NREL.csv", "irradiance_dni__7982", None, 1.0, 300, 0),
]
SHIFTED = "system_50_ac_power_2_full_DST.parquet"


def read(path: Path) -> pd.DataFrame:
    table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
    table.index = pd.DatetimeIndex(pd.to_datetime(table.iloc[:, 0], utc=True)).tz_localize(None).as_unit("s")
    return table[~table.index.duplicated()].sort_index()


def flags_of(series: pd.Series, rated_w: float | None, step_s: int, local_s: int) -> tuple[Values, Flags]:
    """Values and their marks."""
    power = rated_w is not None
    channel = (
        Channel("inverter:a", "ac_power", "mean", "W") if power else Channel("site", "irradiance_ghi", "mean", "W/m2")
    )
    limits = limits_for(channel, Rating(rated_w, tops_w=(rated_w,) if rated_w else ()), interval_s=step_s)
    assert limits is not None
    starts, values = series.index.to_numpy().astype(np.int64), series.to_numpy(np.float64)
    marks = mark_table(Table(starts, {channel: values}), {channel: limits}, interval_s=step_s, local=starts + local_s)
    return values, marks.flags.get(channel, np.zeros(starts.size, np.uint8))


def test_healthy_readings_by_day_have_hardly_a_mark(opendata: Path) -> None:
    seen, marked = 0, 0
    for file, column, rated_w, factor, step_s, local_s in HEALTHY:
        series = factor * read(opendata / PVDAQ / file)[column].astype(float)
        values, flags = flags_of(series, rated_w, step_s, local_s)
        by_day = values > 0.01 * (rated_w or 1000.0)
        print(f"\n{file} {column}: {np.count_nonzero(flags[by_day])} of {np.count_nonzero(by_day)}", end="")
        seen, marked = seen + np.count_nonzero(by_day), marked + np.count_nonzero(flags[by_day])
    years = read(opendata / PVDAQ / SHIFTED)["ac_power_2"].astype(float)
    values, flags = flags_of(years, 3600.0, 900, MST_S)
    seen, marked = seen + np.count_nonzero(values > 36.0), marked + np.count_nonzero(flags[values > 36.0])
    print(f"\nall with {SHIFTED}: {marked} of {seen}")
    assert seen > 48_000
    assert marked / seen < 0.01


def test_a_year_of_hours_in_denmark_has_no_mark(opendata: Path) -> None:
    table = pd.read_csv(opendata / "solete_risoe" / "SOLETE_60min.csv", index_col=0, parse_dates=True)
    series = 1000.0 * table["P_Solar[kW]"].astype(float)
    series.index = series.index.as_unit("s")
    values, flags = flags_of(series, 10_000.0, 3600, 3600)
    assert np.count_nonzero(values > 100.0) > 4000
    assert np.count_nonzero(flags) == 0


def test_labelled_stale_values_above_a_twentieth_of_the_rating(opendata: Path) -> None:
    """The stamps are local time, though they say otherwise."""
    table = read(opendata / PVDAQ / "ac_power_inv_2173_stale_data.csv")
    values, flags = flags_of(5000.0 * table["value_normalized"], 5000.0, 900, 0)
    labelled = table["stale_data_mask"].to_numpy(bool)
    stuck = (flags & Mark.STUCK) > 0
    assert not (stuck & ~labelled).any()
    assert np.count_nonzero(labelled & (values > 250.0) & ~stuck) <= 1  # one that stands alone after midnight


def test_labelled_outliers_beyond_the_rating(opendata: Path) -> None:
    table = read(opendata / PVDAQ / "ac_power_inv_7539_outliers.csv")
    _, flags = flags_of(5000.0 * table["value_normalized"], 5000.0, 900, 0)
    labelled = table["outlier"].astype(str).str.upper().eq("TRUE").to_numpy()
    assert not ((flags > 0) & ~labelled).any()
    assert np.count_nonzero((flags > 0) & labelled) >= 5
    assert np.count_nonzero(labelled) == 6


def test_a_sensor_that_failed_for_two_months(opendata: Path) -> None:
    table = read(opendata / PVDAQ / "system_15_poa_irradiance.parquet")
    series = table[table.columns[-1]].astype(float)
    values, flags = flags_of(series, None, 900, MST_S)
    assert np.count_nonzero(flags & Mark.RANGE) == np.count_nonzero(values > 1500.0) > 2000
    failed = (table.index >= "2023-05-25") & (table.index < "2023-07-27")
    assert np.count_nonzero(flags[~failed]) / np.count_nonzero(values[~failed] > 5.0) < 1e-3


@pytest.mark.parametrize(("months", "late_s"), [((5, 6, 7, 8, 9), 3600.0), ((12, 1), 0.0)])
def test_a_logger_in_daylight_saving_time_is_an_hour_late_in_summer(
    opendata: Path, months: tuple[int, ...], late_s: float
) -> None:
    series = read(opendata / PVDAQ / SHIFTED)["ac_power_2"].astype(float)
    site = made_site(
        site={
            "id": "serf", "name": "SERF", "latitude": 39.742, "longitude": -105.173, "altitude_m": 1830,
            "timezone": "Etc/GMT+7", "commissioned": "2011-01-01",
        },
        plane=[{"id": "main", "tilt_deg": 45, "azimuth_deg": 158}],
        inverter=[{"id": "inv1", "rated_ac_w": 3600}],
        string=[{"id": "s1", "inverter": "inv1", "plane": "main", "modules": 9, "module": MODULE}],
        meter=[], source=[],
    )  # fmt: skip
    shifts = []
    local = series.index + pd.Timedelta(seconds=MST_S)
    for day in pd.date_range("2011-05-01", "2013-12-30", freq="3D"):
        today = series[(local >= day) & (local < day + pd.Timedelta(days=1))]
        if day.month not in months or len(today) < 90:
            continue
        begin = int(day.tz_localize("UTC").timestamp()) - MST_S
        starts = grid(begin, begin + 86_400)
        stamps = today.index.to_numpy().astype(np.int64)
        power, _ = spread(stamps, stamps + 900, today.to_numpy(), onto=starts)
        shift = clock_shift_s(power, site_physics(site, starts).clear_w("inverter:inv1"), starts)
        shifts += [] if shift is None else [shift]
    print(f"\n{len(shifts)} clear days, median {np.median(shifts):.0f} s, 10-90 % {np.quantile(shifts, [0.1, 0.9])}")
    assert len(shifts) >= 5
    assert np.median(shifts) == pytest.approx(late_s, abs=900)
