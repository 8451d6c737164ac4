"""A store on each database: SQLite files, and PostgreSQL on a cluster of this session's own."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import create_engine, text

from monitor.store import Store, schema

ENGINES = ("sqlite", "postgresql")
_numbers = count()


@dataclass(frozen=True)
class Place:
    """Where a test's database is."""

    url: str
    folder: Path

    def open(self, **options: Any) -> Store:
        return Store.open(self.url, self.folder, **options)


class Cluster:
    """A PostgreSQL server in a folder of its own, reached by a socket in it."""

    def __init__(self, programs: Path) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="aftercare-"))
        self._who = _ordinary_user()
        if self._who:
            os.chown(self.folder, self._who["user"], self._who["group"])
        data = self.folder / "data"
        setup = [programs / "initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8", "--locale=C", "-N"]
        done = subprocess.run(setup, cwd=self.folder, capture_output=True, text=True, **self._who)
        assert done.returncode == 0, done.stderr
        options = [f"-cunix_socket_directories={self.folder}", "-clisten_addresses=", "-cfsync=off"]
        self._log = (self.folder / "log").open("wb")
        self._server = subprocess.Popen(
            [programs / "postgres", "-D", data, *options], cwd=self.folder, stderr=self._log, **self._who
        )
        self._wait()

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://tester@/{database}?host={self.folder}"

    def run(self, statement: str) -> None:
        with psycopg.connect(f"host={self.folder} user=tester dbname=postgres", autocommit=True) as conn:
            conn.execute(statement.encode())

    def stop(self) -> None:
        self._server.send_signal(signal.SIGQUIT)  # at once: nothing in it is worth keeping
        try:
            self._server.wait(10)
        except subprocess.TimeoutExpired:
            self._server.kill()
            self._server.wait()
        self._log.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _wait(self) -> None:
        until = time.monotonic() + 30
        while True:
            try:
                return self.run("SELECT 1")
            except psycopg.OperationalError:
                log = (self.folder / "log").read_text()
                assert self._server.poll() is None, log
                assert time.monotonic() < until, log
                time.sleep(0.02)


def _ordinary_user() -> dict[str, Any]:
    """The server refuses to run as root."""
    if os.geteuid() != 0:
        return {}
    known = {entry.pw_name: entry for entry in pwd.getpwall()}
    user = known.get("postgres") or known["nobody"]
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def _find_programs() -> Path | None:
    """The newest installation that has both programs."""
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: float(path.parent.name), reverse=True)
    on_path = shutil.which("initdb")
    folders = [*([Path(on_path).parent] if on_path else []), Path("/usr/local/bin"), *versions]
    return next((f for f in folders if (f / "initdb").exists() and (f / "postgres").exists()), None)


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    programs = _find_programs()
    if programs is None:
        message = "no PostgreSQL server is installed (initdb and postgres): the store was not tested on it"
        pytest.fail(message) if os.environ.get("CI") else pytest.skip(message)
    server = Cluster(programs)
    yield server
    server.stop()


@pytest.fixture(scope="session")
def ready_postgresql(cluster: Cluster) -> str:
    """A database with the schema in it, for one test after the other."""
    cluster.run("CREATE DATABASE ready")
    Store.open(cluster.url("ready"), cluster.folder).close()
    return cluster.url("ready")


@pytest.fixture(scope="session")
def ready_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with the schema in it, to be copied."""
    folder = tmp_path_factory.mktemp("ready")
    Store.open("sqlite:///store.db", folder).close()
    return folder / "store.db"


@pytest.fixture(params=ENGINES)
def empty_place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """A database without a schema."""
    if request.param == "sqlite":
        return Place("sqlite:///store.db", tmp_path)
    cluster: Cluster = request.getfixturevalue("cluster")
    name = f"empty{next(_numbers)}"
    cluster.run(f"CREATE DATABASE {name}")
    return Place(cluster.url(name), tmp_path)


@pytest.fixture(params=ENGINES)
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """A database with the schema and nothing else in it."""
    if request.param == "sqlite":
        shutil.copy(request.getfixturevalue("ready_sqlite"), tmp_path / "store.db")
        return Place("sqlite:///store.db", tmp_path)
    found = Place(request.getfixturevalue("ready_postgresql"), tmp_path)
    _empty(found)
    return found


@pytest.fixture
def store(place: Place) -> Iterator[Store]:
    """An open store without anything in it."""
    opened = place.open()
    yield opened
    opened.close()


def _empty(place: Place) -> None:
    engine = create_engine(place.url)
    with engine.begin() as conn:
        for table in reversed(schema.metadata.sorted_tables):
            conn.execute(table.delete())
        conn.execute(text("UPDATE alembic_version SET version_num = :last"), {"last": schema.REVISIONS[-1]})
    engine.dispose()
