"""A fleet whose every reading is known, and what must hold of its store, whatever was done to the program."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, func, select, text

from ingest.readings import Channel
from monitor.store import Store, schema
from monitor.store.blocks import decode

PROGRAM = "from monitor.cli import main; main()"
# The same, disturbed at a numbered step: before and after each statement, before and after each commit.
STEPPING = """
import atexit, os, signal, sys
from sqlalchemy import event
from sqlalchemy.engine import Engine
from sqlalchemy.pool import Pool
what, last, steps = sys.argv.pop(1), int(sys.argv.pop(1)), 0
def step(*_given):
    global steps
    steps += 1
    if steps == last and what == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if steps == last and what == "wait":
        print("waiting", flush=True)
        sys.stdin.readline()
for target, names in (Engine, ("before_cursor_execute", "after_cursor_execute", "commit")), (Pool, ("checkin",)):
    for name in names:
        event.listen(target, name, step)
if what == "count":
    atexit.register(lambda: print(steps, file=sys.stderr))
from monitor.cli import main
main()
"""
NOW = 1_790_000_000  # an instant long after all of it
FIRST = int(datetime(2025, 6, 1, tzinfo=UTC).timestamp())
STEP_S, ROWS_A_DAY = 900, 96
VOLT = Channel("string:s1", "dc_voltage", "mean", "V")
AMP = Channel("string:s1", "dc_current", "mean", "A")

_FLEET = """[fleet]
name = "Crash Course"
timezone = "Europe/London"
currency = "GBP"
[store]
url = "{url}"
"""
_SITE = """[site]
id = "{id}"
name = "{id}"
latitude = 52.1
longitude = -2.3
timezone = "Europe/London"
commissioned = 2025-05-01
[[plane]]
id = "south"
tilt_deg = 35
azimuth_deg = 180
[[inverter]]
id = "inv1"
rated_ac_w = 3600
[[string]]
id = "s1"
inverter = "inv1"
plane = "south"
modules = 10
module = {{ pmp_w = 400, vmp_v = 31.0, imp_a = 12.9, voc_v = 37.2, isc_a = 13.7, gamma_pmp_pct_per_c = -0.34 }}
[[source]]
id = "log"
kind = "table"
files = "incoming/{id}/*.csv"
interval_minutes = 15
time = {{ column = "t", zone = "UTC" }}
columns = [
  {{ column = "V", quantity = "dc_voltage", of = "string:s1", unit = "V" }},
  {{ column = "A", quantity = "dc_current", of = "string:s1", unit = "A" }},
]
"""

Start = Callable[..., Any]
Readings = dict[tuple[Channel, int], float]


@dataclass(frozen=True)
class Export:
    """A file, what it holds, and how many of its cells are no numbers; None: it lacks a column and is refused."""

    path: str
    text: str
    readings: Readings
    bad: int | None = 0


@dataclass(frozen=True)
class Yard:
    """A fleet folder and its files by home and path."""

    folder: Path
    exports: Mapping[tuple[str, str], Export]

    @property
    def homes(self) -> list[str]:
        return sorted({home for home, _ in self.exports})


def make_yard(folder: Path, url: str, *, homes: int, days: int, seed: int) -> Yard:
    """A fleet folder in which files overlap, correct each other, hold bad cells, or are no exports at all."""
    exports = {}
    (folder / "sites").mkdir(parents=True)
    (folder / "fleet.toml").write_text(_FLEET.format(url=url))
    for number in range(homes):
        home = f"home{number}"
        (folder / f"sites/{home}.toml").write_text(_SITE.format(id=home))
        (folder / f"incoming/{home}").mkdir(parents=True)
        for export in home_exports(home, days, random.Random(100 * seed + number)):
            exports[home, export.path] = export
            (folder / export.path).write_text(export.text)
    return Yard(folder, exports)


def home_exports(home: str, days: int, chance: random.Random) -> Iterator[Export]:
    """A file a day; some again as a part of a week, some corrected, spoilt or refused."""
    for day in range(days):
        base = f"incoming/{home}/day_{day:03d}"
        yield _export(f"{base}.csv", chance, day * ROWS_A_DAY, ROWS_A_DAY, bad=int(chance.random() < 0.1))
        if day % 7 == 6:
            yield _export(f"{base}_week.csv", chance, (day - 4) * ROWS_A_DAY, 5 * ROWS_A_DAY)
        if chance.random() < 0.1:
            yield _export(f"{base}_corrected.csv", chance, day * ROWS_A_DAY + 20, 30, more=1.5)
        if chance.random() < 0.05:
            yield Export(f"{base}_lost.csv", f"when,what\n2025-06-01,{day}\n", {}, bad=None)


def _export(path: str, chance: random.Random, first: int, rows: int, *, bad: int = 0, more: float = 0.0) -> Export:
    spoilt = set(chance.sample(range(rows), bad))
    lines, readings = ["t,V,A"], {}
    for n in range(rows):
        at = FIRST + STEP_S * (first + n)
        volt, amp = 300 + (first + n) % 50 + more, (first + n) % 97 / 8
        readings[AMP, at] = amp
        if n not in spoilt:
            readings[VOLT, at] = volt
        lines.append(f"{datetime.fromtimestamp(at, UTC):%Y-%m-%dT%H:%M:%SZ},{'?' if n in spoilt else volt},{amp}")
    return Export(path, "\n".join(lines) + "\n", readings, bad)


def start(yard: Yard, *words: str, program: str = PROGRAM, before: Sequence[str] = (), **options: Any) -> Any:
    """The program on the yard's folder, as a process of its own."""
    command = [*before, sys.executable, "-c", program, *(words or ("ingest",))]
    environment = {**os.environ, "AFTERCARE_FLEET": str(yard.folder)}
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        **options,
    )


class Forked:
    """The program as a copy of this process, which has everything imported: only its own work takes time.

    For a process without threads, and with no store open.
    """

    def __init__(self, yard: Yard, *words: str, program: str = PROGRAM) -> None:
        self.returncode = 0
        self._log = tempfile.TemporaryFile("w+")  # noqa: SIM115  closed once it was read
        self.pid = os.fork()
        if self.pid == 0:
            os.environ["AFTERCARE_FLEET"] = str(yard.folder)
            os.dup2(self._log.fileno(), 2)
            os.dup2(os.open(os.devnull, os.O_RDWR), 1)
            sys.argv = ["-c", *(words or ("ingest",))]
            code: Any = 70
            try:
                exec(program, {})
            except SystemExit as end:
                code = end.code
            except BaseException:
                traceback.print_exc()
            finally:
                os._exit(code or 0)

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)

    def communicate(self, _given: str, timeout: float) -> tuple[str, str]:
        self.returncode = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        with self._log:
            self._log.seek(0)
            return "", self._log.read()


def finish(process: Any) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a process that ends by itself."""
    stdout, stderr = process.communicate("go on\n", timeout=120)
    return process.returncode, stdout, stderr


def is_killed_after(yard: Yard, seconds: float, start: Start = start) -> bool:
    """Run a pass and kill it after so long; False when it had ended by then."""
    process = start(yard)
    time.sleep(seconds)
    process.kill()
    return finish(process)[0] == -signal.SIGKILL


def is_killed_at_step(yard: Yard, step: int, start: Start = start) -> bool:
    """Run a pass and kill it at a step of its work on the store; False when it ended before."""
    return finish(start(yard, "kill", str(step), "ingest", program=STEPPING))[0] == -signal.SIGKILL


def waits_at_step(yard: Yard, step: int) -> Any:
    """A pass that holds still at a step of its work on the store, until it is let go by a line on stdin."""
    process = start(yard, "wait", str(step), "ingest", program=STEPPING)
    assert process.stdout.readline() == "waiting\n"
    return process


def count_steps(yard: Yard) -> int:
    """Run a pass to its end and count its steps."""
    return int(finish(start(yard, "count", "0", "ingest", program=STEPPING))[2].splitlines()[-1])


def faults(yard: Yard, store: Store) -> list[str]:
    """What does not hold of a store that should hold all of some files and nothing of the others."""
    with store.read() as conn:
        found = [*_broken(conn), *_misplaced(conn, yard), *_miscounted(conn)]
        for home in yard.homes:
            found += _wrong_readings(conn, yard, home)
    return found


def _broken(conn: Connection) -> Iterator[str]:
    if conn.dialect.name == "sqlite":
        told = conn.execute(text("PRAGMA integrity_check")).scalars().all()
        if told != ["ok"]:
            yield f"the database is damaged: {told}"
        yield from (f"a row without its parent: {row}" for row in conn.execute(text("PRAGMA foreign_key_check")))


def _misplaced(conn: Connection, yard: Yard) -> Iterator[str]:
    """Every file is in one state: not entered (so it waits), taken, or refused with its reason."""
    rows = conn.execute(select(schema.ledger)).mappings().all()
    for (site, path), count in Counter((row["site"], row["path"]) for row in rows).items():
        if count != 1 or (site, path) not in yard.exports:
            yield f"{path} is entered {count} times for {site}"
    kept = dict(iter(conn.execute(select(schema.reject.c.ledger_id, func.count()).group_by("ledger_id"))))
    for row in rows:
        export = yard.exports[row["site"], row["path"]]
        refused = export.bad is None
        rejects = 1 if export.bad is None else export.bad
        state = (row["state"], bool(row["reason"]), row["rejects"])
        if state != ("refused" if refused else "taken", refused, rejects):
            yield f"{row['path']} stands as {state}"
        if kept.get(row["id"], 0) != rejects:
            yield f"{row['path']}: another number of rejects than {rejects} is kept"


def _miscounted(conn: Connection) -> Iterator[str]:
    ledger, block = schema.ledger.c, schema.block.c
    told = dict(iter(conn.execute(select(ledger.site, func.sum(ledger.readings_new)).group_by(ledger.site))))
    kept = select(schema.source.c.site, func.sum(block.n)).join_from(schema.source, schema.block)
    held = dict(iter(conn.execute(kept.group_by(schema.source.c.site))))
    if {site: n for site, n in told.items() if n} != held:
        yield f"the ledger tells of {told} readings, and the blocks hold {held}"
    days = select(schema.source.c.site, block.day).join_from(schema.source, schema.block)
    waiting = select(schema.changed_day.c.site, schema.changed_day.c.day)
    if set(conn.execute(days)) != set(conn.execute(waiting)):
        yield "the days with readings are not those that wait to be assessed"


def _wrong_readings(conn: Connection, yard: Yard, home: str) -> Iterator[str]:
    """The blocks hold what the entered files hold, in the order in which they were entered, and each reading once."""
    c = schema.ledger.c
    paths = conn.execute(select(c.path).where(c.site == home).order_by(c.id)).scalars()
    expected = merged(yard.exports[home, path] for path in paths)
    found: Readings = {}
    blocks = select(schema.block).join(schema.source).where(schema.source.c.site == home)
    for row in conn.execute(blocks).mappings():
        day = decode(row["data"])
        if not (np.diff(day.starts) > 0).all() or {*(day.starts // 86400).tolist()} != {row["day"]}:
            yield f"{home}: a block's times are out of order or of another day"
        if row["n"] != day.readings or len(set(day.channels)) != len(day.channels):
            yield f"{home}: a block holds something twice"
        for channel, values in zip(day.channels, day.values.tolist(), strict=True):
            found |= {(channel, t): v for t, v in zip(day.starts.tolist(), values, strict=True) if v == v}
    if found != expected:
        yield f"{home}: {len(found.items() ^ expected.items())} readings are lost, wrong or of nobody's file"


def merged(exports: Iterable[Export]) -> Readings:
    """Readings of files that come one after the other: a later one wins."""
    readings: Readings = {}
    for export in exports:
        readings |= export.readings
    return readings


def contents(store: Store, *, counts: bool = True) -> dict[str, list[tuple[Any, ...]]]:
    """Everything in the store but numbers of rows and instants; without `counts`, what no order of files changes."""
    left_out = {"id", "taken_at", "changed_at", "stamp"} | (set() if counts else {"readings_new", "readings_same"})
    names = {"source", "channel", "block", "ledger", "reject", "changed_day", "sighting"}
    with store.read() as conn:
        parents = {
            "source_id": {row.id: (row.site, row.name) for row in conn.execute(select(schema.source))},
            "ledger_id": {row.id: (row.site, row.path, row.sha256) for row in conn.execute(select(schema.ledger))},
        }
        return {
            table.name: sorted(
                tuple(
                    parents[name][value] if name in parents else value
                    for name, value in row.items()
                    if name not in left_out
                )
                for row in conn.execute(select(table)).mappings()
            )
            for table in schema.metadata.sorted_tables
            if table.name in names
        }
