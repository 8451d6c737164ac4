"""Cost of the nightly assessment: `python -m tests.benchmarks.nightly [SITES ...]`, by default 10, 100 and 1,000 sites.

One home of four strings on two planes is invented and its nights are assessed; what the store then holds of it is
written again under many sites' names, on a grid of coordinates three kilometres apart. Each fleet's next night is
assessed as the daemon does it, in a process of its own, and beside it stands a loop of one pvlib `ModelChain` per
string over the same day and the same 15-minute grid. Printed per fleet: processor time a site-night, from stored
readings to stored expected energies alone and with detection, as ratios to that loop, and peak memory. Last comes a
replay of the home's nights.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem

from ingest.readings import Channel, Seconds, Table, Values
from monitor.config.models import Fleet, FleetFile, Site
from monitor.model.dayview import DayView, day_view, expect, site_witness
from monitor.model.grid import STEP_S, grid
from monitor.model.history import SiteHistory
from monitor.model.physics import at_index, site_physics
from monitor.model.span import site_span, utc_days
from monitor.nightly import assess
from monitor.nightly.cases import Case, Chart, recall
from monitor.nightly.groups import groups_of
from monitor.nightly.memory import keep_memory, note_of
from monitor.nightly.nights import SITES_AT_ONCE
from monitor.store import Store
from monitor.store.assessed import set_assessed
from monitor.store.baselines import read_baselines, write_baseline
from monitor.store.daily import DailyRow, drop_daily, read_daily, write_daily
from monitor.store.readings import changed_days, forget_changed_days, load_blocks, merge_tables, open_tables

FIRST, NIGHTS = date(2026, 4, 1), 70
LAST = FIRST + timedelta(NIGHTS)  # the night that is measured
STRINGS = ("s1", "s2", "s3", "s4")
MODULE = {"pmp_w": 400, "vmp_v": 31, "imp_a": 12.9, "voc_v": 37.2, "isc_a": 13.7, "gamma_pmp_pct_per_c": -0.34}
LOOPED = 40  # strings that the loop is timed on


def home(n: int) -> Site:
    """The nth home: four strings, two planes, two inverters, each with a log of five minutes."""
    row, column = divmod(n, 40)
    return Site.model_validate(
        {
            "site": {
                "id": f"home{n:05d}", "name": f"Home {n}", "altitude_m": 60, "timezone": "Europe/London",
                "latitude": 51.0 + 0.027 * row, "longitude": -2.0 + 0.043 * column, "commissioned": FIRST,
            },
            "plane": [
                {"id": "east", "tilt_deg": 35, "azimuth_deg": 100}, {"id": "west", "tilt_deg": 35, "azimuth_deg": 280},
            ],
            "inverter": [{"id": i, "rated_ac_w": 7500} for i in ("i1", "i2")],
            "string": [
                {
                    "id": s, "inverter": ("i1", "i2")[k // 2], "plane": ("east", "west")[k % 2], "modules": 10,
                    "module": MODULE,
                }
                for k, s in enumerate(STRINGS)
            ],
            "source": [_log(i, strings) for i, strings in (("i1", STRINGS[:2]), ("i2", STRINGS[2:]))],
        }
    )  # fmt: skip


def _log(inverter: str, strings: tuple[str, ...]) -> dict[str, Any]:
    columns = [
        {"column": f"{s} {unit}", "quantity": quantity, "of": f"string:{s}", "unit": unit}
        for s in strings
        for quantity, unit in (("dc_voltage", "V"), ("dc_current", "A"))
    ]
    columns += [
        {"column": "W", "quantity": "ac_power", "of": f"inverter:{inverter}", "unit": "W"},
        {"column": "kWh", "quantity": "ac_energy", "of": f"inverter:{inverter}", "unit": "kWh", "reads": "counter"},
    ]
    time_spec = {"column": "t", "zone": "UTC"}
    return {
        "id": f"{inverter}-log", "kind": "table", "files": f"incoming/{inverter}_*.csv", "interval_minutes": 5,
        "time": time_spec, "columns": columns,
    }  # fmt: skip


def readings(site: Site) -> dict[str, Table]:
    """Readings of a home from its first day to its last one by the model's own curves under passing clouds."""
    begin = (FIRST.toordinal() - date(1970, 1, 1).toordinal()) * 86_400
    starts = grid(begin - 3600, begin + (NIGHTS + 1) * 86_400)
    physics = site_physics(site, starts)
    index = _clouds(starts)
    times = np.arange(starts[0], starts[-1] + STEP_S, 300, dtype=np.int64)
    random = np.random.default_rng(3)
    power = {
        s: 0.97 * np.interp(times, starts + STEP_S / 2, at_index(table, index)) for s, table in physics.power_w.items()
    }
    tables = {}
    for unit in ("i1", "i2"):
        columns: dict[Channel, Values] = {}
        for string in site.strings_of(unit):
            volts = np.round(305.0 + random.normal(0.0, 1.0, times.size), 1)
            watts = power[f"string:{string.id}"] * (1.0 + 0.005 * random.standard_normal(times.size))
            columns[Channel(f"string:{string.id}", "dc_voltage", "mean", "V")] = volts
            columns[Channel(f"string:{string.id}", "dc_current", "mean", "A")] = np.round(watts / volts, 2)
        made = np.round(power[f"inverter:{unit}"])
        columns[Channel(f"inverter:{unit}", "ac_power", "mean", "W")] = made
        counter = np.round(5000.0 + np.cumsum(made) / 12_000.0, 2)
        columns[Channel(f"inverter:{unit}", "ac_energy", "counter", "kWh")] = counter
        tables[f"{unit}-log"] = Table(times, columns)
    return tables


def _clouds(starts: Seconds) -> Values:
    """A clear-sky index by interval: every third day is clear, the others wander."""
    random = np.random.default_rng(5)
    wander = np.convolve(random.standard_normal(starts.size), np.ones(6) / 6.0, "same")
    return np.where(starts // 86_400 % 3 == 0, 1.0, np.clip(0.65 + 0.5 * wander, 0.1, 1.05))


def fleet_of(sites: tuple[Site, ...], folder: Path) -> Fleet:
    """A fleet without files."""
    settings = {"fleet": {"name": "Benchmark", "timezone": "Europe/London"}}
    return Fleet(folder, FleetFile.model_validate(settings), sites)


def make_store(folder: Path, count: int) -> None:
    """A store in which the first home was assessed until the eve of the last night, and all others are its copies."""
    site, now = home(0), 1_790_000_000
    tables = readings(site)
    store = Store.open("sqlite:///aftercare.db", folder)
    with store.write() as conn:
        for name, table in tables.items():
            merge_tables(conn, site=site.id, source=name, tables=[table], now=now)
    assess(fleet_of((site,), folder), store, site_ids=None, first=None, last=LAST - timedelta(1))
    with store.read() as conn:
        rows, baselines = read_daily(conn, site=site.id), read_baselines(conn, site.id)
    recent = {name: _newest(table, 4) for name, table in tables.items()}
    for n in range(1, count):
        _copy(store, home(n), recent, rows, baselines, now)
    store.close()


def _newest(table: Table, days: int) -> Table:
    part = table.starts >= table.starts[-1] // 86_400 * 86_400 - (days - 1) * 86_400
    return Table(table.starts[part], {c: v[part] for c, v in table.columns.items()})


def _copy(store: Store, site: Site, tables: Mapping[str, Table], rows: Any, baselines: Any, now: int) -> None:
    with store.write() as conn:
        for name, table in tables.items():
            merge_tables(conn, site=site.id, source=name, tables=[table], now=now)
        copies = [replace(row, site=site.id) for row in rows]
        write_daily(conn, copies)
        history = SiteHistory()
        history.add(note_of(row) for row in copies)
        keep_memory(conn, [(site.id, history, {})])
        for baseline in baselines:
            write_baseline(conn, replace(baseline, site=site.id))
        set_assessed(conn, site.id, LAST - timedelta(1))
        last_day = LAST.toordinal() - date(1970, 1, 1).toordinal()
        forget_changed_days(conn, site.id, {d: m for d, m in changed_days(conn, site.id).items() if d < last_day})


def night(folder: Path, count: int) -> dict[str, float]:
    """Assess the last night of all sites in this process: processor seconds a site, and peak memory."""
    fleet = fleet_of(tuple(home(n) for n in range(count)), folder)
    store = Store.open("sqlite:///aftercare.db", folder)
    before = _peak_mb()
    looped, expected = loop_seconds(), expected_alone(fleet, store) / count
    begun = time.process_time()
    report = assess(fleet, store, site_ids=None, first=None, last=LAST)
    seconds = time.process_time() - begun
    if report.site_nights != count or report.failed:
        raise SystemExit(f"assessed {report.site_nights} of {count} sites: {report.failed}")
    looped = len(STRINGS) * (looped + loop_seconds()) / 2.0
    return {
        "loop": looped, "expected": expected, "whole": seconds / count, "before_mb": before, "peak_mb": _peak_mb(),
    }  # fmt: skip


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def expected_alone(fleet: Fleet, store: Store) -> float:
    """Processor seconds from stored readings to stored expected energies of all sites, without detection."""
    begun = time.process_time()
    chart = Chart(fleet.sites)
    for group in groups_of([Case(site) for site in fleet.sites], SITES_AT_ONCE):
        names = {c.site.id for c in group} | {n for c in group for n, _ in chart.nearest(c.site)}
        cases = [Case(chart.by_id[name]) for name in sorted(names)]
        recall(store, cases, dict.fromkeys(names, LAST))
        views = {}
        with store.read() as conn:
            blocks = load_blocks(conn, {c.site.id: utc_days(c.site, LAST, LAST) for c in cases})
        for case in cases:
            span = site_span(case.site, open_tables(blocks[case.site.id]), LAST, LAST)
            views[case.site.id] = day_view(span, LAST, case.history)
        rows = [row for case in group for row in _expected_rows(views, chart, case.site)]
        with store.write() as conn:
            write_daily(conn, rows)
            drop = [row.site for row in rows[:: len(rows) // len(group)]]
        with store.write() as conn:
            for site in drop:
                drop_daily(conn, site=site, from_day=LAST)
    return time.process_time() - begun


def _expected_rows(views: Mapping[str, DayView], chart: Chart, site: Site) -> list[DailyRow]:
    view = views[site.id]
    foreign = [site_witness(views[other], km, view.physics.starts) for other, km in chart.nearest(site)]
    units = expect(view, foreign).units
    energy = {s: float(np.sum(e.power_w)) * STEP_S / 3.6e6 for s, e in units.items()}
    return [DailyRow(site=site.id, subject=s, day=LAST, expected_kwh=kwh) for s, kwh in energy.items()]


def loop_seconds() -> float:
    """Processor time of one string's day by a `ModelChain` of its own."""
    times = pd.date_range(LAST.isoformat(), periods=96, freq="15min", tz="UTC") + pd.Timedelta("7.5min")
    begun = time.process_time()
    for n in range(LOOPED):
        site = home(n // 4)
        string = site.string[n % 4]
        plane = next(p for p in site.plane if p.id == string.plane)
        mount = FixedMount(plane.tilt_deg, plane.azimuth_deg)
        array = Array(
            mount,
            module_parameters={"pdc0": string.rated_w, "gamma_pdc": string.module.gamma_pmp_pct_per_c / 100.0},
            temperature_model_parameters={"u0": 22.6, "u1": 4.5},
        )
        system = PVSystem([array], inverter_parameters={"pdc0": 7800.0})
        place = Location(site.site.latitude, site.site.longitude, altitude=site.site.altitude_m)
        chain = ModelChain(system, place, aoi_model="physical", spectral_model="no_loss")
        chain.run_model(place.get_clearsky(times))
    return (time.process_time() - begun) / LOOPED


def replay(folder: Path) -> float:
    """Processor seconds of a site's nights assessed one after the other, a year of them."""
    fleet = fleet_of((home(0),), folder)
    store = Store.open("sqlite:///aftercare.db", folder)
    begun = time.process_time()
    report = assess(fleet, store, site_ids=None, first=FIRST, last=LAST)
    return (time.process_time() - begun) * 365.0 / report.site_nights


_RUN = "import json, sys, tests.benchmarks.nightly as n; from pathlib import Path; print(json.dumps({call}))"


def _alone(call: str, folder: Path, *args: str) -> Any:
    """Call a function of this module in a process of its own."""
    told = subprocess.run(
        [sys.executable, "-c", _RUN.format(call=call), str(folder), *args], check=True, capture_output=True, text=True
    )
    return json.loads(told.stdout)


def main(counts: list[int]) -> None:
    """Print the figures."""
    print(f"{'sites':>7}{'loop':>9}{'expected':>10}{'ratio':>7}{'whole':>9}{'ratio':>7}{'memory':>9}   ms a site, MB")
    for count in counts:
        with tempfile.TemporaryDirectory() as place:
            make_store(Path(place), count)
            f = _alone("n.night(Path(sys.argv[1]), int(sys.argv[2]))", Path(place), str(count))
            ms = {name: 1000.0 * f[name] for name in ("loop", "expected", "whole")}
            print(
                f"{count:>7}{ms['loop']:>9.1f}{ms['expected']:>10.1f}{ms['loop'] / ms['expected']:>7.1f}"
                f"{ms['whole']:>9.1f}{ms['loop'] / ms['whole']:>7.1f}{f['peak_mb'] - f['before_mb']:>9.0f}",
                flush=True,
            )
            if count == counts[0]:
                seconds = _alone("n.replay(Path(sys.argv[1]))", Path(place))
    print(f"replay of a site-year: {seconds:.1f} s of processor time")


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [10, 100, 1000])
