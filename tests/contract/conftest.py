"""A store on each database: SQLite files, and PostgreSQL on a cluster of this session's own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import create_engine, text

from monitor.store import Store, schema
from tests.cluster import Cluster

ENGINES = ("sqlite", "postgresql")
_numbers = count()


@dataclass(frozen=True)
class Place:
    """Where a test's database is."""

    url: str
    folder: Path

    def open(self, **options: Any) -> Store:
        return Store.open(self.url, self.folder, **options)


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
