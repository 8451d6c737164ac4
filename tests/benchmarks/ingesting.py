"""Speed and size of ingest beside plain alternatives, in one run: `python -m tests.benchmarks.ingesting`.

A year file (105,120 rows of 24 columns, civil time) and 1,000 day files (288 rows of 24 columns) go into an empty
SQLite store through a whole pass (listing, hash, reading, committed transactions, ledger). Beside it stand a bare
one-threaded `pyarrow.csv` parse of the same files, and `pandas.read_csv` with `to_sql` into a narrow table. Every
figure is the median of some runs taken in turn.
"""

from __future__ import annotations

import shutil
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.csv as pacsv

from monitor.config import load_fleet
from monitor.jobs.ingesting import IngestReport, ingest_fleet
from monitor.store import Store

COLUMNS = 24
ROWS_A_DAY = 288
RUNS = 5
NOW = int(pd.Timestamp("2026-06-01", tz="UTC").timestamp())

_FLEET = '[fleet]\nname = "Benchmark"\ntimezone = "Europe/London"\n'
_SITE = """[site]
id = "yard"
name = "Yard"
latitude = 52.0
longitude = -1.0
timezone = "Europe/London"
commissioned = 2020-01-01
[[plane]]
id = "south"
tilt_deg = 35
azimuth_deg = 180
[[inverter]]
id = "inv1"
rated_ac_w = 50000
"""
_STRING = """[[string]]
id = "s{i}"
inverter = "inv1"
plane = "south"
modules = 10
module = {{ pmp_w = 400, vmp_v = 31.0, imp_a = 12.9, voc_v = 37.2, isc_a = 13.7, gamma_pmp_pct_per_c = -0.34 }}
"""


def make_folder(folder: Path) -> Path:
    """A fleet of one site with twelve strings, each with a voltage and a current."""
    (folder / "sites").mkdir(parents=True)
    (folder / "incoming").mkdir()
    (folder / "fleet.toml").write_text(_FLEET)
    strings = "".join(_STRING.format(i=i) for i in range(COLUMNS // 2))
    columns = ",\n".join(
        f'{{ column = "S{i} {unit}", quantity = "{quantity}", of = "string:s{i}", unit = "{unit}" }}'
        for i in range(COLUMNS // 2)
        for unit, quantity in (("V", "dc_voltage"), ("A", "dc_current"))
    )
    time_spec = '{ column = "Time", zone = "Europe/London", format = "%d/%m/%Y %H:%M", marks = "end" }'
    source = (
        f'[[source]]\nid = "log"\nkind = "table"\nfiles = "incoming/*.csv"\ninterval_minutes = 5\ntime = {time_spec}\n'
    )
    (folder / "sites" / "yard.toml").write_text(f"{_SITE}{strings}{source}columns = [\n{columns},\n]\n")
    return folder


def make_rows(days: int) -> pd.DataFrame:
    """Voltages with one decimal and currents with two over some days, dark at night."""
    times = pd.date_range("2023-06-01", periods=days * ROWS_A_DAY, freq="5min", tz="UTC").tz_convert("Europe/London")
    random = np.random.default_rng(7)
    hour = (np.arange(len(times)) % ROWS_A_DAY) / (ROWS_A_DAY / 24)
    sun = np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None)
    columns: dict[str, object] = {"Time": times.strftime("%d/%m/%Y %H:%M")}
    for i in range(COLUMNS // 2):
        cloud = random.uniform(0.3, 1.0, len(times))
        columns[f"S{i} V"] = np.where(sun > 0, np.round(300 + 20 * sun + random.normal(0, 1, len(times)), 1), 0.0)
        columns[f"S{i} A"] = np.round(12 * sun * cloud, 2)
    return pd.DataFrame(columns)


def in_turn(runs: int, *jobs: Callable[[], float]) -> list[float]:
    """Median seconds of each of several jobs that take turns, each telling its own seconds."""
    seconds = [[job() for job in jobs] for _ in range(runs)]
    return [statistics.median(column) for column in zip(*seconds, strict=True)]


def timed(job: Callable[[], object]) -> float:
    """Seconds of one call."""
    begun = time.perf_counter()
    job()
    return time.perf_counter() - begun


def ingest_seconds(folder: Path) -> float:
    """Seconds of a pass into an empty store; all readings must have arrived."""
    for old in folder.glob("aftercare.db*"):
        old.unlink()
    fleet = load_fleet(folder)
    store = Store.open(fleet.settings.store.url, folder)
    reports: list[IngestReport] = []
    seconds = timed(lambda: reports.append(ingest_fleet(fleet, store, now=NOW)))
    store.close()
    assert reports[0].all_taken, reports[0]
    return seconds


def parse_seconds(files: list[Path]) -> float:
    """Seconds of a bare one-threaded parse, file by file."""
    options = pacsv.ReadOptions(use_threads=False)
    return timed(lambda: [pacsv.read_csv(file, read_options=options) for file in files])


def narrow_seconds(files: list[Path], folder: Path) -> float:
    """Seconds of `pandas.read_csv` and `to_sql` into a narrow SQLite table, a commit a file."""
    database = folder / "narrow.db"
    database.unlink(missing_ok=True)
    connection = sqlite3.connect(database)

    def load() -> None:
        for file in files:
            frame = pd.read_csv(file)
            frame["Time"] = pd.to_datetime(frame["Time"], format="%d/%m/%Y %H:%M").dt.tz_localize(
                "Europe/London", ambiguous="infer", nonexistent="raise"
            )
            frame.melt("Time").to_sql("reading", connection, if_exists="append", index=False)
            connection.commit()

    seconds = timed(load)
    connection.close()
    return seconds


def stored_bytes(folder: Path) -> float:
    """Bytes a reading on disk: the whole database file."""
    connection = sqlite3.connect(folder / "aftercare.db")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    (readings,) = connection.execute("SELECT sum(n) FROM block").fetchone()
    connection.close()
    return float((folder / "aftercare.db").stat().st_size / readings)


def main() -> None:
    scratch = Path(tempfile.mkdtemp())
    try:
        year = make_folder(scratch / "year")
        make_rows(365).to_csv(year / "incoming" / "year.csv", index=False)
        days = make_folder(scratch / "days")
        for number, (_, rows) in enumerate(make_rows(1000).groupby(np.arange(1000).repeat(ROWS_A_DAY))):
            rows.to_csv(days / "incoming" / f"day{number:04d}.csv", index=False)
        year_files, day_files = (sorted(folder.glob("incoming/*.csv")) for folder in (year, days))

        ours, bare = in_turn(RUNS, lambda: ingest_seconds(year), lambda: parse_seconds(year_files))
        _tell("year file", ours, bare)
        print(f"    {stored_bytes(year):.2f} bytes a reading on disk (goal: at most 1)")
        ours, bare = in_turn(RUNS, lambda: ingest_seconds(days), lambda: parse_seconds(day_files))
        _tell("1,000 day files", ours, bare)
        narrow = narrow_seconds(day_files[:100], scratch) * 10
        print(f"    narrow table {narrow:.1f} s (100 files, times 10): {narrow / ours:.0f} x (goal: at least 30)")
        known = timed(lambda: ingest_fleet(load_fleet(days), Store.open("sqlite:///aftercare.db", days), now=NOW))
        print(f"    a second pass over them {known:.3f} s")
    finally:
        shutil.rmtree(scratch)


def _tell(what: str, ours: float, bare: float) -> None:
    print(f"{what}: ingest {ours:.3f} s, bare parse {bare:.3f} s, ratio {ours / bare:.2f} (goal: at most 2)")


if __name__ == "__main__":
    main()
