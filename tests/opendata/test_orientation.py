"""Orientation of real inverters from their power alone.

Data: PVDAQ system 50 (SERF East, Golden, Colorado; CC BY 4.0, doi 10.25984/1846021), tilt 45, azimuth 158 by its
papers; one record of July to October 2016, and one of 2011 to 2013 whose stamps follow daylight saving time although
they say otherwise. Mountains stand in the west, and nobody says which end of a quarter a stamp marks: in summer that
alone is ten degrees of azimuth.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from ingest.readings import Values
from monitor.model.as_installed import doubt
from monitor.model.grid import STEP_S, grid
from monitor.model.orientation import OrientationFit, fit_orientation, turn
from monitor.model.trial import Maker, Spot

GOLDEN = Spot(39.742, -105.173, 1830.0)
PAPERS = (45.0, 158.0)
MAKER = Maker(5000.0, -0.0045)  # the nameplate is not in the data; the scale takes it up


def fitted(stamps: pd.Series, power_w: Values, first: str, days: int) -> OrientationFit:
    at = stamps.dt.tz_convert("UTC").dt.as_unit("s").astype("int64").to_numpy()
    start = int(pd.Timestamp(first, tz="UTC").timestamp())
    starts = grid(start, start + days * 86400)
    power = np.full(starts.size, np.nan)
    here = (at >= start) & (at < start + days * 86400)
    power[(at[here] - start) // STEP_S] = power_w[here]
    fit = fit_orientation(power, starts, spot=GOLDEN, maker=MAKER, stated=PAPERS)
    print(
        f"\n{first}, {days} days: tilt {fit.tilt_deg:.1f} +- {fit.tilt_sigma:.1f}, azimuth {fit.azimuth_deg:.1f} +- "
        f"{fit.azimuth_sigma:.1f}, {fit.days} clear days, clock {fit.clock_doubt_s:.0f} s {fit.why_not}"
    )
    return fit


def old_record(opendata: Path) -> tuple[pd.Series, Values]:
    table = pd.read_parquet(opendata / "pvdaq_samples" / "system_50_ac_power_2_full_DST.parquet")
    return pd.to_datetime(table["measured_on"]), table["ac_power_2"].to_numpy(float)


def test_summer_and_autumn_are_near_the_papers(opendata: Path) -> None:
    table = pd.read_csv(opendata / "pvdaq_samples" / "serf_east_15min_ac_power.csv")
    fit = fitted(pd.to_datetime(table["measured_on"]), table["ac_power"].to_numpy(float), "2016-07-02", 100)
    assert abs(fit.tilt_deg - PAPERS[0]) < 5.0
    assert abs(turn(fit.azimuth_deg, PAPERS[1])) < 12.0
    assert doubt(PAPERS, fit) is None


def test_winter_is_near_the_papers(opendata: Path) -> None:
    fit = fitted(*old_record(opendata), "2011-11-26", 75)
    assert abs(fit.tilt_deg - PAPERS[0]) < 9.0
    assert abs(turn(fit.azimuth_deg, PAPERS[1])) < 7.0
    assert doubt(PAPERS, fit) is None


def test_stamps_in_daylight_saving_time_are_seen_and_not_taken_for_an_azimuth(opendata: Path) -> None:
    fit = fitted(*old_record(opendata), "2011-05-01", 90)
    assert not fit.trusted
    assert 2700.0 < fit.clock_doubt_s < 5400.0  # an hour, and which end of a quarter a stamp marks
    said = doubt(PAPERS, fit)
    assert said is not None
    assert "clock is about" in said
