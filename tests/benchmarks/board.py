"""Cost of the board: `python -m tests.benchmarks.board [SITES ...]`, by default 100, 1,000 and 10,000 sites.

Thirteen months of a home's figures (one month where there are thousands of sites) are invented and written under many
sites' names; every tenth site has an open finding, no sky is known. Printed per fleet: processor seconds of the first
writing and its bytes, the bytes of the front page with its index, the seconds of a second one that finds nothing new
and of the one after the next night with the pages that it wrote. Beside them stands what matplotlib would take to draw
two charts for each of these sites.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from ingest.readings import Channel, Table
from monitor.config.models import Fleet, FleetFile, Site
from monitor.detect.finding import Finding
from monitor.jobs.board import write_board
from monitor.model.history import SiteHistory
from monitor.nightly.memory import keep_memory, note_of
from monitor.report.energies import daily_energy, day_span
from monitor.report.figures import month_figure, png
from monitor.store import Store
from monitor.store.assessed import set_all_assessed
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import Loss, save_findings, write_losses
from monitor.store.readings import changed_days, forget_changed_days, merge_tables

LAST, DAYS, FEWER, MANY = date(2026, 8, 31), 395, 30, 2_000
MODULE = {"pmp_w": 400, "vmp_v": 31, "imp_a": 12.9, "voc_v": 37.2, "isc_a": 13.7, "gamma_pmp_pct_per_c": -0.34}
SUBJECTS = (("site", 1.0), ("inverter:i1", 1.0), ("string:s1", 0.52), ("string:s2", 0.51))
_EPOCH = date(1970, 1, 1)


def home(n: int) -> Site:
    """The nth home: two strings on one inverter."""
    string = {"inverter": "i1", "plane": "south", "modules": 10, "module": MODULE}
    return Site.model_validate(
        {
            "site": {
                "id": f"home{n:05d}", "name": f"{n} Long Meadow Lane", "timezone": "Europe/London", "latitude": 52.0,
                "longitude": -2.0, "commissioned": LAST - timedelta(days=DAYS),
            },
            "tariff": {"import_per_kwh": 0.28},
            "plane": [{"id": "south", "tilt_deg": 35, "azimuth_deg": 180}],
            "inverter": [{"id": "i1", "rated_ac_w": 7500}],
            "string": [{"id": s} | string for s in ("s1", "s2")],
            "source": [
                {
                    "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 60,
                    "time": {"column": "t", "zone": "UTC"},
                    "columns": [{"column": "W", "quantity": "ac_power", "of": "inverter:i1", "unit": "W"}],
                }
            ],
        }
    )  # fmt: skip


def rows(site: str, first: date, last: date) -> list[DailyRow]:
    """Daily figures of a home: the seasons, clouds, and a scatter."""
    random = np.random.default_rng(7)
    found = []
    for n in range((last - first).days + 1):
        day = first + timedelta(days=n)
        season = 14.0 - 11.0 * np.cos(2 * np.pi * (day.timetuple().tm_yday + 10) / 365.25)
        due = season * random.uniform(0.3, 1.1)
        made = due * random.normal(0.99, 0.03)
        found += [
            DailyRow(
                site=site, subject=subject, day=day, measured_kwh=round(made * part, 3),
                expected_kwh=round(due * part, 3), expected_low_kwh=round(due * part * 0.94, 3),
                expected_high_kwh=round(due * part * 1.06, 3), usable=1.0, irradiation_source="weather",
                features={"outside": round(float(np.log(made / due)), 4)},
            )
            for subject, part in SUBJECTS
        ]  # fmt: skip
    return found


def finding(site: str) -> Finding:
    """A weak string of a home."""
    since = LAST - timedelta(days=60)
    return Finding(
        id=f"weak-{site}", site=site, subject="string:s1", cause="underperforming_string", level="visit", state="open",
        since=since, raised=since + timedelta(days=20), cleared=None, last_seen=LAST, confidence=0.85, lost_kwh=101.4,
        lost_kwh_low=78.0, lost_kwh_high=124.6, lost_money=30.2, summary="String s1 makes 4% less than it should.",
        evidence={"loss_fraction": 0.04, "other_causes": {"soiling": 0.1}},
        advice={"service": "Lay its voltage beside its sibling's. " * 20, "homeowner": ""},
    )  # fmt: skip


def make_store(folder: Path, count: int, days: int) -> Fleet:
    """A store in which so many homes were assessed for some days until the last day."""
    sites = tuple(home(n) for n in range(count))
    store = Store.open("sqlite:///aftercare.db", folder)
    first = LAST - timedelta(days=days - 1)
    pattern = rows("", first, LAST)
    times = np.array([(LAST - _EPOCH).days * 86_400 + 43_200], np.int64)
    table = Table(times, {Channel("inverter:i1", "ac_power", "mean", "W"): np.array([3000.0])})
    for at in range(0, count, 50):
        with store.write() as conn:
            for site in sites[at : at + 50]:
                own = [_under(row, site.id) for row in pattern]
                write_daily(conn, own)
                history = SiteHistory()
                history.add(note_of(row) for row in own)
                keep_memory(conn, [(site.id, history, {})])
                merge_tables(conn, site=site.id, source="log", tables=[table], now=1)
                forget_changed_days(conn, site.id, changed_days(conn, site.id))
                if int(site.id[4:]) % 10 == 0:
                    found = finding(site.id)
                    save_findings(conn, [found])
                    days = [LAST - timedelta(days=n) for n in range(60)]
                    write_losses(conn, [Loss(found.id, day, 0.9, 0.7, 1.1, LAST) for day in days])
    with store.write() as conn:
        set_all_assessed(conn, [site.id for site in sites], LAST)
    store.close()
    given = {"fleet": {"name": "Benchmark", "timezone": "Europe/London", "currency": "GBP"}}
    return Fleet(folder, FleetFile.model_validate(given), sites)


def next_night(fleet: Fleet) -> None:
    """One more night of every home."""
    night = LAST + timedelta(days=1)
    store = Store.open("sqlite:///aftercare.db", fleet.folder)
    pattern = rows("", night, night)
    with store.write() as conn:
        for site in fleet.sites:
            write_daily(conn, [_under(row, site.id) for row in pattern])
        set_all_assessed(conn, [site.id for site in fleet.sites], night)
    store.close()


def _under(row: DailyRow, site: str) -> DailyRow:
    return DailyRow(**{name: getattr(row, name) for name in row.__slots__} | {"site": site})


class Cost:
    """Processor and clock seconds."""

    cpu = wall = 0.0


@contextmanager
def measured() -> Iterator[Cost]:
    """Seconds of a block."""
    cost, cpu, wall = Cost(), time.process_time(), time.perf_counter()
    yield cost
    cost.cpu, cost.wall = time.process_time() - cpu, time.perf_counter() - wall


def drawn_alone() -> float:
    """Processor seconds of one picture of 60 days by matplotlib."""
    days = day_span(LAST - timedelta(days=59), LAST)
    daily = daily_energy({}, days)
    daily = type(daily)(days=daily.days, measured=(8.0,) * 60, expected=(10.0,) * 60, low=(9.0,) * 60,
                        high=(11.0,) * 60, whole=(True,) * 60)  # fmt: skip
    png(month_figure(daily, is_rough=False))
    with measured() as cost:
        for _ in range(5):
            png(month_figure(daily, is_rough=False))
    return cost.cpu / 5


def main(counts: list[int]) -> None:
    """Print the figures."""
    alone = 2 * drawn_alone()
    heads = ("days", "first s", "ms/site", "MB", "front kB", "again s", "night s", "pages", "matplotlib s")
    print(f"{'sites':>7}" + "".join(f"{head:>13}" for head in heads))
    for count in counts:
        with tempfile.TemporaryDirectory() as place:
            days = DAYS if count < MANY else FEWER
            fleet = make_store(Path(place), count, days)
            out = Path(place) / "board"
            costs, report = [], None
            for step in ("first", "again", "night"):
                if step == "night":
                    next_night(fleet)
                store = Store.open("sqlite:///aftercare.db", fleet.folder)
                with measured() as cost:
                    report = write_board(fleet, store, out)
                store.close()
                costs.append(cost.cpu)
            total = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
            front = sum(
                path.stat().st_size for path in (out / "index.html", *out.glob("lines-*.js"), *out.glob("board.*s"))
            )
            figures = (
                f"{days}", f"{costs[0]:.1f}", f"{1000 * costs[0] / count:.1f}", f"{total / 1e6:.1f}",
                f"{front / 1e3:.0f}", f"{costs[1]:.2f}", f"{costs[2]:.1f}", f"{report.pages if report else 0}",
                f"{alone * count:.0f}",
            )  # fmt: skip
            print(f"{count:>7}" + "".join(f"{figure:>13}" for figure in figures), flush=True)


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [100, 1000, 10_000])
