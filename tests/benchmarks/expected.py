"""Expected energy of healthy homes beside what they made, by source: `python -m tests.benchmarks.expected 1 2 3`.

Invented fleets, whose physics are other ones than the model's, are replayed night by night. Only homes without a
trouble count, only days with all readings, and only after the first ninety days. Printed for every source of
irradiation: daily error (root mean square over the mean), mean size of the monthly bias, and how many days lie within
the stated 80 % range.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from monitor.config import load_fleet
from monitor.config.models import Site
from monitor.demo import FleetTruth
from monitor.store import Store
from monitor.store.daily import read_daily
from tests.benchmarks.detection import run

LEARNING = timedelta(days=90)
COLUMNS = ("seed", "site", "subject", "day", "source", "measured", "expected", "low", "high")


def healthy_days(seed: int, folder: Path, truth: FleetTruth) -> pd.DataFrame:
    """Whole days of strings and inverters of homes without a trouble."""
    fleet = load_fleet(folder)
    troubled = {trouble.site for trouble in truth.troubles}
    store = Store.open(fleet.settings.store.url, folder)
    rows = []
    with store.read() as conn:
        for site in fleet.sites:
            if site.id in troubled:
                continue
            for r in read_daily(conn, site=site.id, first=site.site.commissioned + LEARNING):
                if r.usable < 0.98 or r.measured_kwh is None or not r.expected_kwh or ":" not in r.subject:
                    continue
                told = (r.measured_kwh, r.expected_kwh, r.expected_low_kwh, r.expected_high_kwh)
                rows.append((seed, site.id, r.subject, r.day, _source(site, r.subject, r.irradiation_source), *told))
    store.close()
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _source(site: Site, subject: str, name: str | None) -> str:
    """The source, and whether it lies on the same roof."""
    alike = name == "neighbours" and subject.startswith("string:") and len(site.string) > 1
    planes = {s.plane for s in site.string}
    if not alike:
        return str(name)
    return "same plane" if len(planes) == 1 else "same roof"


def score(days: pd.DataFrame) -> pd.DataFrame:
    """One line a source."""
    lines = {}
    for source, part in days.groupby("source"):
        error = part["measured"] - part["expected"]
        mean = part.groupby(["seed", "site", "subject"])["measured"].transform("mean")
        month = part.assign(month=pd.to_datetime(part["day"]).dt.to_period("M"))
        sums = month.groupby(["seed", "site", "subject", "month"])[["measured", "expected"]].agg(["sum", "size"])
        whole = sums[sums["measured", "size"] >= 15]
        bias = whole["measured", "sum"] / whole["expected", "sum"] - 1.0
        inside = (part["measured"] >= part["low"]) & (part["measured"] <= part["high"])
        lines[source] = {
            "days": len(part),
            "daily error %": 100.0 * float(np.sqrt(np.mean((error / mean) ** 2))),
            "monthly bias %": 100.0 * float(bias.abs().mean()),
            "mean bias %": 100.0 * float(part["measured"].sum() / part["expected"].sum() - 1.0),
            "within 80 % range": 100.0 * float(inside.mean()),
        }
    return pd.DataFrame(lines).T


def main(seeds: list[int]) -> None:
    """Print the table."""
    parts = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "fleet"
            truth, _ = run(seed, folder)
            parts.append(healthy_days(seed, folder, truth))
    days = pd.concat(parts)
    print(score(days).round(1).to_string())
    print(score(days.assign(source=days["source"] + " " + days["subject"].str.partition(":")[0])).round(1).to_string())


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1])
