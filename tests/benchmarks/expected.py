"""Expected energy of healthy homes beside what they made: `python -m tests.benchmarks.expected --seeds 1-20 -j 2`.

Each seed is an invented fleet of seven homes in six months that end with another season each seed, with physics of its
own and nothing wrong. It is replayed night by night; only days with all readings count, after the first ninety days.
One table: for every source of irradiation the daily error (root mean square over the mean), the mean size of the
monthly bias, the bias over all, and how many days lie within the stated 80 % range; then the bias by month of the year.
The home with a weather series is replayed once more without its neighbours. `--air` gives every home a series of its
true air temperature. With AFTERCARE_OPEN_DATA real systems follow (`tests/benchmarks/expected_real.py`).
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from monitor.config import load_fleet
from monitor.config.models import Fleet, Site
from monitor.demo import make_fleet
from monitor.demo.casts import CASTS
from monitor.demo.chance import stream
from monitor.demo.fleet import ZONE, draw_homes
from monitor.demo.span import STEPS_PER_HOUR, months_until
from monitor.demo.weather import draw_region, weather_at
from monitor.jobs.ingesting import ingest_fleet
from monitor.nightly import assess
from monitor.store import Store
from monitor.store.daily import read_daily
from tests.benchmarks.detection import seeds_of
from tests.benchmarks.expected_real import real_days

LEARNING = timedelta(days=90)
ENDS = (date(2026, 2, 28), date(2026, 5, 31), date(2026, 8, 31), date(2026, 11, 30))
MONTHS, CAST = 6, "sound"
COLUMNS = ("seed", "site", "subject", "day", "source", "measured", "expected", "low", "high")
AIR = """
[[source]]
id = "air"
kind = "table"
files = "incoming/{id}/air.csv"
interval_minutes = 60
time = {{ column = "t", zone = "UTC", marks = "start" }}
columns = [{{ column = "air", quantity = "temperature_air", of = "site", unit = "degC" }}]
"""


def one_seed(seed: int, homes: int, air: bool) -> pd.DataFrame:
    """Make a fleet, replay it, and give the whole days of its strings and inverters."""
    last = ENDS[seed % len(ENDS)]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "fleet"
        make_fleet(folder, seed=seed, last_day=last, months=MONTHS, sites=homes, cast=CAST)
        if air:
            add_air(folder, seed, last, homes)
        fleet = load_fleet(folder)
        store = Store.open(fleet.settings.store.url, folder)
        ingest_fleet(fleet, store, now=int(time.time()))
        parts = [replayed(fleet, store, seed, last)]
        for site in (s for s in fleet.sites if has_weather(s)):
            alone = replayed(replace(fleet, sites=(site,)), store, seed, last)
            parts.append(alone.assign(source=alone["source"] + ", no neighbours"))
        store.close()
    return pd.concat(parts)


def add_air(folder: Path, seed: int, last: date, count: int) -> None:
    """Give every home hours of its true air temperature."""
    span, played = months_until(last, MONTHS, ZONE), CASTS[CAST](seed, count)
    homes = draw_homes(seed, span, played.roles)
    region = draw_region(span, [home.place for home in homes], seed, dark_weeks=played.dark_weeks)
    for n, home in enumerate(homes):
        weather = weather_at(region, home.place, n, stream(seed, home.id, "weather"))
        whole = len(span) // STEPS_PER_HOUR * STEPS_PER_HOUR
        hours = weather.temperature_c[:whole].reshape(-1, STEPS_PER_HOUR).mean(axis=1)
        at = pd.to_datetime(span.starts[:whole:STEPS_PER_HOUR], unit="s")
        target = folder / "incoming" / home.id / "air.csv"
        target.parent.mkdir(parents=True, exist_ok=True)
        pd.DataFrame({"t": at.strftime("%Y-%m-%dT%H:%M:%SZ"), "air": hours.round(2)}).to_csv(target, index=False)
        file = folder / "sites" / f"{home.id}.toml"
        file.write_text(file.read_text() + AIR.format(id=home.id))


def has_weather(site: Site) -> bool:
    """Whether a site has a series of level irradiance."""
    return any(p.quantity == "irradiance_ghi" for s in site.source for p in getattr(s, "columns", ()))


def replayed(fleet: Fleet, store: Store, seed: int, last: date) -> pd.DataFrame:
    """Replay the nights of these homes; their whole days once gains are learned."""
    assess(fleet, store, site_ids=None, first=date(2025, 1, 1), last=last)
    rows = []
    with store.read() as conn:
        for site in fleet.sites:
            for r in read_daily(conn, site=site.id, first=site.site.commissioned + LEARNING):
                if r.usable < 0.98 or r.measured_kwh is None or not r.expected_kwh:
                    continue
                if r.subject.startswith(("string:", "inverter:")):
                    told = (r.measured_kwh, r.expected_kwh, r.expected_low_kwh, r.expected_high_kwh)
                    rows.append(
                        (seed, site.id, r.subject, r.day, source_of(site, r.subject, r.irradiation_source), *told)
                    )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def source_of(site: Site, subject: str, name: str | None) -> str:
    """The source; of strings with siblings, whether these lie in the same plane."""
    alike = name == "neighbours" and subject.startswith("string:") and len(site.string) > 1
    planes = {s.plane for s in site.string}
    if not alike:
        return str(name)
    return "same plane" if len(planes) == 1 else "same roof"


def score(days: pd.DataFrame) -> pd.DataFrame:
    """One line a source."""
    return pd.DataFrame({source: one_line(part) for source, part in days.groupby("source")}).T


def one_line(part: pd.DataFrame) -> dict[str, float]:
    """Figures of one source's days."""
    error = part["measured"] - part["expected"]
    mean = part.groupby(["seed", "site", "subject"])["measured"].transform("mean")
    month = part.assign(month=pd.to_datetime(part["day"]).dt.to_period("M"))
    sums = month.groupby(["seed", "site", "subject", "month"])[["measured", "expected"]].agg(["sum", "size"])
    whole = sums[sums["measured", "size"] >= 15]
    bias = whole["measured", "sum"] / whole["expected", "sum"] - 1.0
    inside = (part["measured"] >= part["low"]) & (part["measured"] <= part["high"])
    return {
        "days": len(part),
        "daily error %": 100.0 * float(np.sqrt(np.mean((error / mean) ** 2))),
        "monthly bias %": 100.0 * float(bias.abs().mean()),
        "mean bias %": 100.0 * float(part["measured"].sum() / part["expected"].sum() - 1.0),
        "within 80 % range": 100.0 * float(inside.mean()),
    }


def by_month(days: pd.DataFrame) -> pd.DataFrame:
    """Measured over expected energy less one [%], by source and month of the year."""
    sums = days.groupby(["source", pd.to_datetime(days["day"]).dt.month])[["measured", "expected"]].sum()
    return (100.0 * (sums["measured"] / sums["expected"] - 1.0)).unstack()


def tell(parts: Iterable[pd.DataFrame]) -> None:
    """Print the table."""
    days = pd.concat(parts)
    table = score(days).join(by_month(days))
    print(table.round(1).to_string(na_rep=""))


def main() -> None:
    """Replay the seeds, print one table; then the real systems, where they are."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.expected")
    parser.add_argument("--seeds", type=seeds_of, default=[1], metavar="A-B")
    parser.add_argument("--homes", type=int, default=7)
    parser.add_argument("--air", action="store_true", help="every home has its true air temperature")
    parser.add_argument("-j", type=int, default=1, help="fleets at a time")
    chosen = parser.parse_args()
    with ProcessPoolExecutor(chosen.j) as pool:
        jobs = [pool.submit(one_seed, seed, chosen.homes, chosen.air) for seed in chosen.seeds]
        parts = []
        for seed, job in zip(chosen.seeds, jobs, strict=True):
            parts.append(job.result())
            print(f"seed {seed}: {len(parts[-1])} days", flush=True)
    tell(parts)
    if folder := os.environ.get("AFTERCARE_OPEN_DATA"):
        print()
        tell([real_days(Path(folder))])


if __name__ == "__main__":
    main()
