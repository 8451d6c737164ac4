"""Detection on invented fleets: `python -m tests.benchmarks.detection --seeds 1-6 -j 2 --out rows.json`.

Each seed is a fleet of ten homes in fourteen months, half of them with a trouble and half healthy but awkward; six
seeds in a row meet every trouble. They are replayed night by night. Printed: for every trouble how often it was found,
how many usable days it took, how far off its first day was told, and the loss that was told over the true one; what
was taken for what; what was said in vain; and how far stated confidence can be trusted. A trouble that no detector
knows shows as not found. `--cast show_more` takes the fleets of `aftercare demo`.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from datetime import date
from pathlib import Path

from monitor.config import load_fleet
from monitor.demo import FleetTruth, make_fleet
from monitor.detect.finding import Finding
from monitor.jobs.ingesting import ingest_fleet
from monitor.nightly import AssessReport, assess
from monitor.store import Store
from monitor.store.findings import list_findings
from tests.benchmarks.scoring import Score, lines, score

FIRST, LAST = date(2025, 7, 1), date(2026, 8, 31)
MONTHS = 14


def run(seed: int, folder: Path, *, cast: str = "show", sites: int = 8) -> tuple[FleetTruth, AssessReport]:
    """Make a fleet and replay its fourteen months."""
    truth = make_fleet(folder, seed=seed, last_day=LAST, months=MONTHS, sites=sites, cast=cast)
    fleet = load_fleet(folder)
    store = Store.open(fleet.settings.store.url, folder)
    try:
        ingest_fleet(fleet, store, now=int(time.time()))
        return truth, assess(fleet, store, site_ids=None, first=date(2025, 1, 1), last=LAST)
    finally:
        store.close()


def found_in(folder: Path) -> list[Finding]:
    """All findings as they stand after the last night."""
    store = Store.open(load_fleet(folder).settings.store.url, folder)
    try:
        with store.read() as conn:
            return list_findings(conn, include_cleared=True)
    finally:
        store.close()


def one_seed(seed: int, cast: str, sites: int) -> Score:
    """Score one fleet."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "fleet"
        truth, report = run(seed, folder, cast=cast, sites=sites)
        return score(seed, truth, FIRST, found_in(folder), report)


def in_detail(done: Score) -> Iterator[str]:
    """Every trouble of a fleet, and every finding that tells of none."""
    yield f"seed {done.seed}: {done.site_years:.1f} site-years, failed {done.failed}"
    for told in done.told:
        if told.note:
            continue
        hit = told.finding
        how = f"raised {hit['raised']}, since {hit['since']}, {hit['lost_kwh']:.0f} kWh" if hit else "MISSED"
        also = f"; also said: {', '.join(told.others)}" if told.others else ""
        yield (
            f"  {told.cause} ({told.kind}) {told.site} {told.subject} {told.first_day} to {told.last_day}, "
            f"{told.lost_kwh:.0f} kWh: {how}{also}"
        )
    for said in done.said:
        if said.verdict in ("false", "misnomer"):
            yield f"  {said.verdict} ({said.level}, {said.raised}): {said.site} {said.subject}: {said.summary}"


def seeds_of(text: str) -> list[int]:
    """`4`, or `1-6`."""
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> None:
    """Score the seeds, print the tables, write the rows."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.detection")
    parser.add_argument("--seeds", type=seeds_of, default=[1], metavar="A-B")
    parser.add_argument("--cast", default="every_cause")
    parser.add_argument("--sites", type=int, default=10)
    parser.add_argument("--out", type=Path, help="write the rows as JSON")
    parser.add_argument("-j", type=int, default=1, help="fleets at a time")
    chosen = parser.parse_args()
    scores = []
    with ProcessPoolExecutor(chosen.j) as pool:
        jobs = [pool.submit(one_seed, seed, chosen.cast, chosen.sites) for seed in chosen.seeds]
        for job in jobs:
            scores.append(job.result())
            print("\n".join(in_detail(scores[-1])), flush=True)
    print("\n".join(["", *lines(scores)]))
    if chosen.out is not None:
        chosen.out.write_text(json.dumps([asdict(one) for one in scores], indent=1) + "\n")


if __name__ == "__main__":
    main()
