"""Nothing lost and nothing twice: passes that are killed, starved of disk, kept out of the store or cut off from it.

`tests/benchmarks/kills.py` does the same hundreds of times.
"""

from __future__ import annotations

import os
import random
import resource
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import StoreUnavailable
from monitor.config import load_fleet
from monitor.jobs.assessing import assess_fleet
from monitor.jobs.ingesting import ingest_fleet
from monitor.store import Store
from monitor.store.ledger import list_files
from monitor.store.readings import changed_days
from tests.cluster import Cluster
from tests.crashing import (
    NOW,
    Yard,
    contents,
    faults,
    finish,
    is_killed_after,
    is_killed_at_step,
    make_yard,
    start,
    waits_at_step,
)

_numbers = count()


@pytest.fixture(scope="module")
def brittle(cluster: Cluster) -> Iterator[Cluster]:
    """A server that a test may stop; no other test is on it."""
    server = Cluster(cluster.programs)
    yield server
    server.remove()


def yard_of(folder: Path, url: str) -> Yard:
    return make_yard(folder, url, homes=3, days=9, seed=3)


def emptied(cluster: Cluster) -> str:
    """The url of a new database."""
    name = f"crash{next(_numbers)}"
    cluster.run(f"CREATE DATABASE {name}")
    return cluster.url(name)


@pytest.fixture(params=["sqlite", "postgresql"])
def yard(request: pytest.FixtureRequest, tmp_path: Path) -> Yard:
    """Files of three homes, and a store with nothing but the schema in it."""
    sqlite = request.param == "sqlite"
    url = "sqlite:///aftercare.db" if sqlite else emptied(request.getfixturevalue("cluster"))
    made = yard_of(tmp_path / "fleet", url)
    Store.open(url, made.folder).close()
    return made


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the store holds when nothing gets in the way."""
    yard = yard_of(tmp_path_factory.mktemp("undisturbed") / "fleet", "sqlite:///aftercare.db")
    with opened(yard) as store:
        ingest_fleet(load_fleet(yard.folder), store, now=NOW)
        assert faults(yard, store) == []
        return contents(store)


@contextmanager
def opened(yard: Yard) -> Iterator[Store]:
    store = Store.open(load_fleet(yard.folder).settings.store.url, yard.folder)
    try:
        yield store
    finally:
        store.close()


def entered(yard: Yard) -> int:
    """How many files are in the ledger; the store has to be whole."""
    with opened(yard) as store:
        assert faults(yard, store) == []
        with store.read() as conn:
            return len(list_files(conn))


def completes(yard: Yard, undisturbed: dict[str, Any]) -> None:
    """The next pass, by itself, leaves a store as if nothing had happened."""
    with opened(yard) as store:
        report = ingest_fleet(load_fleet(yard.folder), store, now=NOW)
        assert (report.failed, report.complete) == ((), True)
        assert faults(yard, store) == []
        assert contents(store) == undisturbed


def test_killed_again_and_again_then_completed(yard: Yard, undisturbed: dict[str, Any]) -> None:
    chance = random.Random()
    assert is_killed_at_step(yard, 60)  # while the store takes files
    before = entered(yard)
    assert before < len(yard.exports)
    step, seconds = chance.randrange(1, 120), chance.uniform(0.3, 1.5)
    is_killed_at_step(yard, step)
    is_killed_after(yard, seconds)
    assert before <= entered(yard) <= len(yard.exports), f"killed at step {step} and after {seconds} s"
    completes(yard, undisturbed)


def test_killed_while_the_store_is_being_made(tmp_path: Path, undisturbed: dict[str, Any]) -> None:
    yard = yard_of(tmp_path / "fleet", "sqlite:///aftercare.db")
    assert is_killed_at_step(yard, 20)
    completes(yard, undisturbed)


def test_two_passes_at_once(yard: Yard, undisturbed: dict[str, Any]) -> None:
    other = waits_at_step(yard, 60)  # inside a transaction, and with files read that it has not kept
    fleet = load_fleet(yard.folder)
    with opened(yard) as store, ThreadPoolExecutor(1) as pool:
        pass_here = pool.submit(ingest_fleet, fleet, store, now=NOW)
        code, told, sentences = finish(other)
        assert code in (0, 1), sentences
        assert " failed" not in told
        assert pass_here.result().failed == ()
        assert faults(yard, store) == []
        found = contents(store)
    assert [found[name] for name in ("block", "channel")] == [undisturbed[name] for name in ("block", "channel")]


def refuses(process: Any, sentence: str) -> None:
    """A pass that ends with one sentence and exit code 3."""
    code, told, sentences = finish(process)
    assert code == 3, sentences
    assert told == ""
    assert len(sentences.splitlines()) == 1
    assert sentences.startswith("the store ")
    assert sentence in sentences


def test_no_room_for_the_file_of_the_store(tmp_path: Path, undisturbed: dict[str, Any]) -> None:
    yard = yard_of(tmp_path / "fleet", "sqlite:///aftercare.db")
    Store.open("sqlite:///aftercare.db", yard.folder).close()
    room = 60_000

    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    refuses(start(yard, preexec_fn=little_room), "aftercare.db cannot be used: disk I/O error")
    assert entered(yard) < len(yard.exports)
    completes(yard, undisturbed)


@pytest.fixture
def tiny_disk() -> Iterator[Callable[[str], Path]]:
    """A file system of a given size, which may be given another size later; only where one may be mounted."""
    place = Path(tempfile.mkdtemp(prefix="aftercare-"))

    def give(size: str) -> Path:
        again = "remount," if os.path.ismount(place) else ""
        mount = ["mount", "-t", "tmpfs", "-o", f"{again}size={size}", "tmpfs", str(place)]
        if subprocess.run(mount, capture_output=True).returncode != 0:
            pytest.skip("no file system may be mounted here; the limit of a file's size stands in for it")
        return place

    yield give
    if os.path.ismount(place):
        subprocess.run(["umount", "--lazy", str(place)], check=True)
    place.rmdir()


def test_a_full_disk_under_sqlite(
    tmp_path: Path, tiny_disk: Callable[[str], Path], undisturbed: dict[str, Any]
) -> None:
    disk = tiny_disk("20m")
    yard = yard_of(tmp_path / "fleet", f"sqlite:///{disk}/aftercare.db")
    Store.open(f"sqlite:///{disk}/aftercare.db", yard.folder).close()
    tiny_disk(f"{used_kb(disk) + 100}k")
    refuses(start(yard), "aftercare.db cannot be used: ")
    assert entered(yard) < len(yard.exports)
    tiny_disk("20m")
    completes(yard, undisturbed)


def test_a_full_disk_under_postgresql(
    cluster: Cluster, tmp_path: Path, tiny_disk: Callable[[str], Path], undisturbed: dict[str, Any]
) -> None:
    disk = tiny_disk("50m")
    server = Cluster(cluster.programs)
    server.own(disk)
    try:
        server.run(f"CREATE TABLESPACE tiny LOCATION '{disk}'")
        server.run("CREATE DATABASE starved TABLESPACE tiny")
        yard = yard_of(tmp_path / "fleet", server.url("starved"))
        for _ in range(2):  # the second time nothing but readings is left to be written
            Store.open(server.url("starved"), yard.folder).close()
        tiny_disk(f"{used_kb(disk) + 60}k")
        refuses(start(yard), "could not ")  # extend a file, or write one at the beginning of a connection
        assert entered(yard) < len(yard.exports)
        tiny_disk("50m")
        completes(yard, undisturbed)
    finally:
        server.remove()


def used_kb(disk: Path) -> int:
    found = os.statvfs(disk)
    return (found.f_blocks - found.f_bfree) * found.f_frsize // 1024


def test_a_writer_that_does_not_let_go(tmp_path: Path, undisturbed: dict[str, Any]) -> None:
    yard = yard_of(tmp_path / "fleet", "sqlite:///aftercare.db?timeout=0.3")
    Store.open("sqlite:///aftercare.db", yard.folder).close()
    with closing(sqlite3.connect(yard.folder / "aftercare.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        refuses(start(yard), "database is locked")
        other.execute("ROLLBACK")
    assert entered(yard) == 0
    completes(yard, undisturbed)


def test_a_writer_that_lets_go_in_time(yard: Yard, undisturbed: dict[str, Any]) -> None:
    with opened(yard) as other, ThreadPoolExecutor(1) as pool:
        with other.write():
            waiting = pool.submit(completes, yard, undisturbed)
            time.sleep(0.5)
            assert not waiting.done()
        waiting.result()


def test_a_writer_of_postgresql_that_does_not_let_go(
    cluster: Cluster, tmp_path: Path, undisturbed: dict[str, Any]
) -> None:
    yard = yard_of(tmp_path / "fleet", emptied(cluster))
    fleet = load_fleet(yard.folder)
    hasty = Store.open(fleet.settings.store.url, yard.folder, wait_s=0.2)
    late = pytest.raises(StoreUnavailable, match="lock timeout")
    with closing(hasty), opened(yard) as other, other.write(), late:
        ingest_fleet(fleet, hasty, now=NOW)
    assert entered(yard) == 0
    completes(yard, undisturbed)


@pytest.mark.parametrize("how", ["terminated", "stopped"])
def test_postgresql_goes_away_in_the_middle_of_a_transaction(
    brittle: Cluster, tmp_path: Path, undisturbed: dict[str, Any], how: str
) -> None:
    yard = yard_of(tmp_path / "fleet", emptied(brittle))
    Store.open(load_fleet(yard.folder).settings.store.url, yard.folder).close()
    process = waits_at_step(yard, 60)
    if how == "stopped":
        brittle.stop()
    else:
        ended = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname LIKE 'crash%'"
        assert brittle.run(ended) != []
    refuses(process, "cannot be used: ")
    if how == "stopped":
        brittle.start()
    assert entered(yard) < len(yard.exports)
    completes(yard, undisturbed)


def test_a_file_that_comes_while_its_nights_are_assessed(fleet_folder: Path, noon_after: int) -> None:
    fleet = load_fleet(fleet_folder)
    late = fleet_folder / "incoming/larkrise/inv1_20250603.csv"
    first, corrected = late.read_text(), late.read_text().replace("T12:00:00Z,2800", "T12:00:00Z,2000")
    assert corrected != first

    def arrive() -> bool:
        if late.read_text() == first:
            late.write_text(corrected)
            assert ingest_fleet(fleet, store, now=noon_after).readings_replaced == 1
        return False

    with closing(Store.open("sqlite:///aftercare.db", fleet_folder)) as store:
        ingest_fleet(fleet, store, now=noon_after)
        assess_fleet(fleet, store, now=noon_after, should_stop=arrive)
        with store.read() as conn:
            waiting = changed_days(conn, "larkrise")
        assert 20_242 in waiting  # 3 June 2025
        again = assess_fleet(fleet, store, now=noon_after)
        assert again.site_nights > 0
        with store.read() as conn:
            assert 20_242 not in changed_days(conn, "larkrise")
        assert assess_fleet(fleet, store, now=noon_after).site_nights == 0
