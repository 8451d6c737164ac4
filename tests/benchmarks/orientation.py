"""Tilt and azimuth from power alone: `python -m tests.benchmarks.orientation [ROOFS] [FIRST SEED]`.

Roofs of known orientation at 52 N, 35 N and 35 S, some behind a chimney or a tree, starting in any month, their power
made by other physics than the model's (see `standing_roof`). Printed by days of data: median and 90 % error, how often
the stated 80 % range holds the truth, how many fits are trusted. Beside it the best published figure: a median of
about 1 degree of tilt and 5 of azimuth on 44 systems (NREL/CP-5K00-88895, 2023).

Then what it is good for: site files off by a few degrees, the model fed with a perfect sky and a gain of the first 60
days, its months and days against the roof's, with the site file's orientation, with ours, and with the true one.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from ingest.readings import Values
from monitor.model.as_installed import as_installed, doubt
from monitor.model.grid import STEP_S
from monitor.model.orientation import Orientation, OrientationFit, fit_orientation, turn
from monitor.model.plane import on_plane
from monitor.model.power import cell_temperature, climatological_air_temperature, dc_power
from monitor.model.sun import sun_position
from tests.benchmarks.standing_roof import Log, Roof, roof_log

SPANS = (30, 60, 90, 365)
LEARNED = 60
_IN_80 = 1.2816
_PER_DAY = 86400 // STEP_S


@dataclass(frozen=True)
class Case:
    """A roof and what its papers say."""

    roof: Roof
    stated: Orientation


def draw_case(seed: int) -> Case:
    """One of three latitudes, any usual orientation and month; every third behind a chimney or a tree."""
    rng = np.random.default_rng([seed, 4])
    latitude = (52.0, 35.0, -35.0)[seed % 3]
    azimuth = float((rng.uniform(80.0, 280.0) + (180.0 if latitude < 0.0 else 0.0)) % 360.0)
    roof = Roof(
        latitude=latitude,
        tilt_deg=float(rng.uniform(8.0, 55.0)),
        azimuth_deg=azimuth,
        first_day=date(2025, int(rng.integers(1, 13)), 1),
        shade=("none", "none", "none", "none", "chimney", "tree")[int(rng.integers(6))],
        seed=seed,
    )
    stated = (roof.tilt_deg + rng.uniform(-3.0, 3.0), float((azimuth + rng.uniform(-7.0, 7.0)) % 360.0))
    return Case(roof, stated)


def fitted(case: Case, log: Log, days: int) -> OrientationFit:
    """The fit of the first days; every second home tells AC power only."""
    part = slice(0, days * _PER_DAY)
    power, maker = (log.ac_w, log.ac_maker) if case.roof.seed % 2 else (log.dc_w, log.dc_maker)
    return fit_orientation(power[part], log.starts[part], spot=log.spot, maker=maker, stated=case.stated)


def errors(log: Log, orientation: Orientation) -> dict[str, float]:
    """Monthly bias and daily error of the model under a perfect sky, its gain learned in the first days [%]."""
    expected = _expected(log, orientation)
    learned = slice(0, LEARNED * _PER_DAY)
    expected *= log.dc_w[learned].sum() / expected[learned].sum()
    day = np.arange(expected.size) // _PER_DAY
    table = pd.DataFrame({"made": log.dc_w, "expected": expected}).groupby(day).sum()
    months = table.groupby(table.index // 30).sum().iloc[:12]
    off = table.made - table.expected
    return {
        "monthly bias": 100.0 * float((months.made / months.expected - 1.0).abs().mean()),
        "daily error": 100.0 * float(np.sqrt((off**2).mean()) / table.made.mean()),
    }


def _expected(log: Log, orientation: Orientation) -> Values:
    middles = log.starts.astype(np.float64) + STEP_S / 2.0
    spot = log.spot
    sun = sun_position(middles, latitude=spot.latitude, longitude=spot.longitude, altitude_m=spot.altitude_m)
    plane = on_plane(log.sky, sun, tilt_deg=orientation[0], azimuth_deg=orientation[1])
    air = climatological_air_temperature(middles, latitude=spot.latitude, longitude=spot.longitude)
    cell = cell_temperature(plane.total, air)
    return dc_power(plane.effective, cell, rated_w=log.dc_maker.rated_w, gamma_per_c=log.dc_maker.gamma_per_c)


def run(seed: int) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Fits of one roof by days of data, and the model's errors by orientation."""
    case = draw_case(seed)
    log = roof_log(case.roof)
    truth = case.roof.tilt_deg, case.roof.azimuth_deg
    fits, used = [], case.stated
    for days in SPANS:
        began = time.process_time()
        fit = fitted(case, log, days)
        took = time.process_time() - began
        used = as_installed(case.stated, fit) if days == LEARNED else used
        tilt_off, azimuth_off = fit.tilt_deg - truth[0], turn(fit.azimuth_deg, truth[1])
        fits.append({
            "days": days, "seed": seed, "trusted": fit.trusted, "tilt": abs(tilt_off), "azimuth": abs(azimuth_off),
            "tilt within": abs(tilt_off) < _IN_80 * fit.tilt_sigma,
            "azimuth within": abs(azimuth_off) < _IN_80 * fit.azimuth_sigma,
            "across": abs(azimuth_off) * np.sin(np.radians(truth[0])),
            "doubt": doubt(case.stated, fit) is not None, "seconds": took, "why not": fit.why_not,
        })  # fmt: skip
    rows: list[dict[str, object]] = [
        {"seed": seed, "orientation": name, **errors(log, orientation)}
        for name, orientation in (("stated", case.stated), ("used", used), ("true", truth))
    ]
    return fits, rows


def main(roofs: int, first: int) -> None:
    """Print the tables."""
    fits, energies = [], []
    for seed in range(first, first + roofs):
        some, more = run(seed)
        fits += some
        energies += more
    table = pd.DataFrame(fits)
    lines = {}
    for days, part in table.groupby("days"):
        good = part[part.trusted]
        lines[days] = {
            "trusted %": 100.0 * part.trusted.mean(),
            "tilt median": good.tilt.median(), "tilt 90 %": good.tilt.quantile(0.9),
            "azimuth median": good.azimuth.median(), "azimuth 90 %": good.azimuth.quantile(0.9),
            "across median": good.across.median(),
            "tilt in range %": 100.0 * good["tilt within"].mean(),
            "azimuth in range %": 100.0 * good["azimuth within"].mean(),
            "false doubts": int(part.doubt.sum()), "cpu s": part.seconds.median(),
        }  # fmt: skip
    print(pd.DataFrame(lines).T.round(2).to_string())
    print(table[~table.trusted].groupby(["days", "why not"]).size().to_string())
    wide = pd.DataFrame(energies).pivot(index="seed", columns="orientation")
    for what in ("monthly bias", "daily error"):
        both = wide[what]
        gain = both["stated"] - both["used"]
        print(
            f"{what} %: stated {both['stated'].mean():.2f}, used {both['used'].mean():.2f}, true "
            f"{both['true'].mean():.2f}; better by more than 0.1 in {int((gain > 0.1).sum())} of {len(gain)}, worse in "
            f"{int((gain < -0.1).sum())}, worst {gain.min():+.2f}, best {gain.max():+.2f}"
        )


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(numbers[0] if numbers else 24, numbers[1] if len(numbers) > 1 else 1)
