"""Ingest killed and failed at any moment: `python -m tests.benchmarks.kills [KILLS]`, 200 kills a database if not told.

Each run is a process of its own over the same fleet folder, most of them forked from one that has the program imported,
so that the time is its work's. It is ended by SIGKILL after a random time, at a random statement or commit, or (SQLite,
where `strace` is installed) at a random write to the disk; or its disk is full, or fails, from a random write on. After
each the store is looked at: whole, each file in one state, every entered file's readings there once and nobody else's.
Then either another such run follows, or an undisturbed one, after which the store has to equal one that was never
disturbed.
"""

from __future__ import annotations

import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from pathlib import Path

from monitor.store import Store
from monitor.store.ledger import list_files
from tests.cluster import Cluster, find_programs
from tests.crashing import (
    Forked,
    Yard,
    contents,
    count_steps,
    faults,
    finish,
    is_killed_after,
    is_killed_at_step,
    make_yard,
)
from tests.crashing import start as start_pass

HOMES, DAYS, SEED = 6, 7, 7
# What a pass imports, so that the forked ones need not.
IMPORTED = (
    "alembic.command",
    "monitor.cli",
    "monitor.config",
    "monitor.jobs.ingesting",
    "monitor.jobs.polling",
    "psycopg",
)
COMPLETED_ONCE_OF = 4  # one in so many disturbed runs is followed by an undisturbed one
Disturb = Callable[[random.Random], bool]  # False: the run ended before it could be disturbed


@dataclass
class Ground:
    """A yard, and how its store is opened, looked at and done away with."""

    name: str
    yard: Yard
    url: str
    reset: Callable[[], None]

    def look(self) -> tuple[list[str], int]:
        """Faults of the store as it lies there, and how many files are entered."""
        with tempfile.TemporaryDirectory() as scratch:
            # A copy, so that it is the next pass that has to recover the store.
            for file in self.yard.folder.glob("aftercare.db*"):
                shutil.copy(file, scratch)
            store = Store.open(self.url, Path(scratch))
            with store.read() as conn:
                entered = len(list_files(conn))
            found = faults(self.yard, store)
            store.close()
        return found, entered

    def everything(self) -> object:
        store = Store.open(self.url, self.yard.folder)
        found = contents(store)
        store.close()
        return found


@dataclass
class Tally:
    """What came of one kind of disturbance."""

    nothing: int = 0  # runs after which no file was entered
    part: int = 0
    whole: int = 0
    undisturbed: int = 0
    completed: int = 0
    wrong: list[str] = field(default_factory=list)

    @property
    def runs(self) -> int:
        return self.nothing + self.part + self.whole


def torment(ground: Ground, runs: int, reference: object, disturb: Disturb, chance: random.Random) -> Tally:
    """Disturbed runs, each looked at, with completed ones in between."""
    tally = Tally()
    ground.reset()
    while tally.runs < runs:
        if not disturb(chance):
            tally.undisturbed += 1
            complete(ground, reference, tally)
            continue
        found, entered = ground.look()
        tally.wrong += found
        tally.nothing += entered == 0
        tally.part += 0 < entered < len(ground.yard.exports)
        tally.whole += entered == len(ground.yard.exports)
        if chance.randrange(COMPLETED_ONCE_OF) == 0:
            complete(ground, reference, tally)
    return tally


def complete(ground: Ground, reference: object, tally: Tally) -> None:
    """The next pass, left alone: the store must be as if nothing had ever happened."""
    code, _, told = finish(Forked(ground.yard))
    if code not in (0, 1) or "Traceback" in told:
        tally.wrong.append(f"the pass that should complete it ended with {code}: {told}")
    if ground.everything() != reference:
        tally.wrong.append("the completed store differs from an undisturbed one")
    tally.completed += 1
    ground.reset()


def failing_disk(ground: Ground, error: str, writes: int, chance: random.Random) -> bool:
    """A pass whose disk is full, or fails, from a write on; it must end with one sentence and exit code 3."""
    call, code = {"full": ("pwrite64", "ENOSPC"), "failing": ("fdatasync", "EIO")}[error]
    number = chance.randint(1, max(1, writes))
    ended, _, told = finish(start_pass(ground.yard, before=_strace(call, f"error={code}", f"{number}+")))
    if ended in (0, 1):
        return False
    if ended != 3 or len(told.splitlines()) != 1:
        raise AssertionError(f"with a {error} disk a pass ended with {ended}: {told}")
    return True


def killed_at_write(ground: Ground, writes: int, chance: random.Random) -> bool:
    """A pass that is killed as it asks for a write."""
    number = chance.randint(1, writes)
    return finish(start_pass(ground.yard, before=_strace("pwrite64", "signal=KILL", str(number))))[0] == -9


def _strace(call: str, what: str, when: str) -> tuple[str, ...]:
    return ("strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e", f"inject={call}:{what}:when={when}")


def count_calls(ground: Ground, call: str) -> int:
    """How often an undisturbed pass makes a system call."""
    ground.reset()
    with tempfile.NamedTemporaryFile() as log:
        finish(start_pass(ground.yard, before=("strace", "-f", "-qq", "-o", log.name, "-e", f"trace={call}")))
        return Path(log.name).read_text().count(f"{call}(")


def disturbances(ground: Ground) -> dict[str, Disturb]:
    """The ways to disturb a pass, each tuned to the length of an undisturbed one."""
    seconds = []
    for _ in range(3):
        ground.reset()
        began = time.monotonic()
        finish(Forked(ground.yard))
        seconds.append(time.monotonic() - began)
    length = statistics.median(seconds)
    ground.reset()
    steps = count_steps(ground.yard)
    found: dict[str, Disturb] = {
        f"killed within {length:.1f} s": lambda chance: is_killed_after(ground.yard, chance.uniform(0, length), Forked),
        f"killed at one of {steps} steps": lambda chance: is_killed_at_step(
            ground.yard, chance.randint(1, steps), Forked
        ),
    }
    if ground.name == "SQLite" and shutil.which("strace"):
        writes, syncs = count_calls(ground, "pwrite64"), count_calls(ground, "fdatasync")
        found[f"killed at one of {writes} writes"] = partial(killed_at_write, ground, writes)
        found[f"disk full from one of {writes} writes on"] = partial(failing_disk, ground, "full", writes)
        found[f"disk failing from one of {syncs} syncs on"] = partial(failing_disk, ground, "failing", syncs)
    return found


def try_ground(ground: Ground, kills: int) -> list[str]:
    """All disturbances of a ground; prints a line each and returns what went wrong."""
    chance = random.Random(SEED)
    ways = disturbances(ground)
    ground.reset()
    finish(Forked(ground.yard))
    reference = ground.everything()
    wrong = []
    deadly = sum(way.startswith("killed") for way in ways)
    for way, disturb in ways.items():
        runs = -(-kills // deadly) if way.startswith("killed") else -(-kills // 5)
        tally = torment(ground, runs, reference, disturb, chance)
        print(
            f"{ground.name:10} {way:38} {tally.runs:5} {tally.nothing:8} {tally.part:5} {tally.whole:6} "
            f"{tally.undisturbed:11} {tally.completed:10} {len(tally.wrong):7}",
            flush=True,
        )
        wrong += tally.wrong
    return wrong


def sqlite_ground(folder: Path) -> Ground:
    url = "sqlite:///aftercare.db"
    yard = make_yard(folder, url, homes=HOMES, days=DAYS, seed=SEED)

    def reset() -> None:
        for file in folder.glob("aftercare.db*"):
            file.unlink()

    return Ground("SQLite", yard, url, reset)


def postgresql_ground(folder: Path, cluster: Cluster) -> Ground:
    url = cluster.url("killed")
    yard = make_yard(folder, url, homes=HOMES, days=DAYS, seed=SEED)

    def reset() -> None:
        cluster.run("DROP DATABASE IF EXISTS killed WITH (FORCE)")
        cluster.run("CREATE DATABASE killed")

    return Ground("PostgreSQL", yard, url, reset)


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for module in IMPORTED:
        import_module(module)
    programs = find_programs()
    wrong = []
    print(f"{'database':10} {'disturbance':38}  runs  nothing  part  whole  undisturbed  completed  faults")
    with tempfile.TemporaryDirectory() as scratch:
        wrong += try_ground(sqlite_ground(Path(scratch) / "sqlite"), kills)
        if programs is not None:
            cluster = Cluster(programs)
            try:
                wrong += try_ground(postgresql_ground(Path(scratch) / "postgresql", cluster), kills)
            finally:
                cluster.remove()
    for sentence in wrong:
        print(sentence)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
