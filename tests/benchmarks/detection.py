"""Detection on invented fleets, by seed: `python -m tests.benchmarks.detection 1 2 3`.

Prints for every trouble when it began, was found and raised, and everything that was found without being there.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import date
from pathlib import Path

from monitor.config import load_fleet
from monitor.demo import FleetTruth, Trouble, make_fleet
from monitor.detect.finding import Finding
from monitor.jobs.ingesting import ingest_fleet
from monitor.nightly import AssessReport, assess
from monitor.store import Store

LAST = date(2026, 8, 31)


def run(seed: int, folder: Path) -> tuple[FleetTruth, AssessReport]:
    """Make a fleet and replay its fourteen months."""
    truth = make_fleet(folder, seed=seed, last_day=LAST, months=14)
    fleet = load_fleet(folder)
    store = Store.open(fleet.settings.store.url, folder)
    try:
        ingest_fleet(fleet, store, now=int(time.time()))
        return truth, assess(fleet, store, site_ids=None, first=date(2025, 1, 1), last=LAST)
    finally:
        store.close()


def belongs(finding: Finding, trouble: Trouble) -> bool:
    """Whether a finding tells of a trouble: same site and cause, and days that meet."""
    same = (finding.site, finding.cause) == (trouble.site, trouble.cause)
    subject = trouble.cause == "missing_data" or finding.subject == trouble.subject
    return same and subject and finding.last_seen >= trouble.first_day


def main(seeds: list[int]) -> None:
    """Print the table."""
    found_all, false_all, years = 0, 0, 0.0
    troubles_all = 0
    for seed in seeds:
        with tempfile.TemporaryDirectory() as place:
            truth, report = run(seed, Path(place) / "fleet")
        print(f"seed {seed}: {report.site_nights} site-nights, failed {list(report.failed)}")
        left = list(report.raised)
        years += report.site_nights / 365.25
        for trouble in truth.troubles:
            hits = [f for f in left if belongs(f, trouble)]
            left = [f for f in left if f not in hits]
            troubles_all, found_all = troubles_all + 1, found_all + bool(hits)
            told = [f"since {f.since} raised {f.raised} cleared {f.cleared}, {f.lost_kwh:.0f} kWh" for f in hits]
            began = f"{trouble.cause} {trouble.site} {trouble.subject} {trouble.first_day} to {trouble.last_day}"
            print(f"  {began}: {'; '.join(told) or 'MISSED'}")
        grave = [f for f in left if f.level in ("visit", "urgent")]
        false_all += len(grave)
        for finding in left:
            print(f"  not in the truth ({finding.level}): {finding.site}: {finding.summary}")
    print(f"{found_all} of {troubles_all} troubles found; {false_all} false visit or urgent in {years:.0f} site-years")


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1])
