"""Peak memory of a pass by the size of one file: `python -m tests.benchmarks.memory`.

A table of 24 columns of 20 and of 200 MB, plain, gzipped and zipped, whole and with a damaged cell in every hundredth
row, is ingested in a process of its own. It must take about as much memory for the large one.
"""

from __future__ import annotations

import gzip
import json
import random
import shutil
import subprocess
import sys
import tempfile
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

from tests.benchmarks.ingesting import COLUMNS, make_folder

SIZES_MB = (20, 200)
_RUN = """
import json, resource, sys, time
from pathlib import Path
from monitor.config import load_fleet
from monitor.jobs.ingesting import ingest_fleet, summary
from monitor.store import Store
fleet = load_fleet(Path(sys.argv[1]))
store = Store.open(fleet.settings.store.url, fleet.folder)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
begun = time.perf_counter()
report = ingest_fleet(fleet, store, now=int(time.time()) + 60)
seconds = time.perf_counter() - begun
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"seconds": seconds, "before": before, "peak": peak, "summary": summary(report)}))
"""


def write_table(path: Path, size_mb: int, *, damaged: bool) -> None:
    """Rows of five minutes from 2010 on, until the file is large enough."""
    names = [f"S{i} {unit}" for i in range(COLUMNS // 2) for unit in ("V", "A")]
    random.seed(5)
    days = [[",".join(f"{random.uniform(0, 400):.1f}" for _ in names) for _ in range(288)] for _ in range(20)]
    at, rows = datetime(2010, 1, 1), 0
    with path.open("w") as file:
        file.write(",".join(["Time", *names]) + "\n")
        while file.tell() < size_mb * 1_000_000:
            lines = []
            for cells in days[rows // 288 % len(days)]:
                lines.append(f"{at:%d/%m/%Y %H:%M},{'x' if damaged and rows % 100 == 0 else ''}{cells}\n")
                at, rows = at + timedelta(minutes=5), rows + 1
            file.write("".join(lines))


def pack(path: Path, packing: str) -> None:
    """Put an archive in the file's place."""
    if packing == "gzip":
        with path.open("rb") as plain, gzip.open(f"{path}.gz", "wb", compresslevel=1) as packed:
            shutil.copyfileobj(plain, packed)
    elif packing == "zip":
        with zipfile.ZipFile(f"{path}.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            archive.write(path, "table.csv")
    if packing != "plain":
        path.unlink()


def fleet_at(folder: Path) -> Path:
    """A fleet of one home that has been there for long, and that takes any file; its clocks never change."""
    site = make_folder(folder) / "sites/yard.toml"
    text = site.read_text().replace("commissioned = 2020-01-01", "commissioned = 2009-01-01")
    text = text.replace('files = "incoming/*.csv"', 'files = "incoming/*"')
    site.write_text(text.replace('zone = "Europe/London", format', 'zone = "UTC", format'))
    return folder


def run(folder: Path) -> dict[str, object]:
    """One pass in a process of its own."""
    done = subprocess.run([sys.executable, "-c", _RUN, folder], capture_output=True, text=True, check=True)
    found: dict[str, object] = json.loads(done.stdout)
    return found


def peak_mb(scratch: Path, size_mb: int, packing: str, *, damaged: bool) -> float:
    """Peak memory of a pass that takes one table, in MB; tells it."""
    folder = fleet_at(scratch / f"{size_mb}-{packing}-{damaged}")
    write_table(folder / "incoming/table.csv", size_mb, damaged=damaged)
    pack(folder / "incoming/table.csv", packing)
    found = run(folder)
    shutil.rmtree(folder)
    peak = float(str(found["peak"])) / 1024
    kind = f"{size_mb:4d} MB {packing}{', damaged' if damaged else ''}"
    print(f"{kind:28s} {peak:6.0f} MB at most, {found['seconds']:6.2f} s: {found['summary']}", flush=True)
    return peak


def main() -> None:
    scratch = Path(tempfile.mkdtemp())
    try:
        for packing, damaged in (("plain", False), ("plain", True), ("gzip", False), ("zip", False)):
            small, large = (peak_mb(scratch, size, packing, damaged=damaged) for size in SIZES_MB)
            print(f"{'':28s} {large / small:6.2f} times the memory for ten times the file (goal 1.25)")
    finally:
        shutil.rmtree(scratch)


if __name__ == "__main__":
    main()
