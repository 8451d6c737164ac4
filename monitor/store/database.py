"""The store: one database, opened by URL, with one writer at a time."""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, DBAPIError, InterfaceError, OperationalError

from ingest.errors import StoreUnavailable
from monitor.store.claim import Claim
from monitor.store.rows import dump_json
from monitor.store.upgrade import upgrade

_WRITES = "aftercare_writes"
_WRITER_LOCK = 0x_AF7E_2CA2  # any number of our own, for PostgreSQL's advisory lock


class Store:
    """A database whose schema is up to date. Safe to share between threads."""

    def __init__(self, engine: Engine, claim: Claim | None = None) -> None:
        self._reader = engine
        self._claim = claim
        self._writer = engine.execution_options(**{_WRITES: True})
        self._name = engine.url.render_as_string(hide_password=True)

    @classmethod
    def open(cls, url: str, folder: Path, *, wait_s: float = 30.0) -> Store:
        """Connect and bring the schema up to date; `wait_s` is how long another writer is waited for.

        A relative SQLite path is relative to `folder`, and its url may say `?timeout=SECONDS` in place of `wait_s`.
        Raises StoreUnavailable.
        """
        place = _place(url, folder)
        wait_s = _timeout(place, wait_s)
        if place.get_backend_name() == "sqlite":
            store = cls(_sqlite_engine(place, wait_s))
        else:
            alone = _postgresql_engine(place, wait_s, poolclass=NullPool, isolation_level="AUTOCOMMIT")
            store = cls(_postgresql_engine(place, wait_s, pool_pre_ping=True), Claim(alone))
        try:
            with store._told():
                if place.get_backend_name() == "sqlite":
                    _turn_on_wal(store._reader, wait_s)
                upgrade(store.read, store.write)
        except BaseException:
            store.close()
            raise
        return store

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction that nobody else writes beside: kept if the block ends well, else undone."""
        with self._told(), self._writer.begin() as conn:
            yield conn

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A view of one moment that cannot write. Keep it short: SQLite's log grows while it is open."""
        with self._told(), self._reader.begin() as conn:
            yield conn

    def claim(self) -> None:
        """Be the store's only daemon until it is closed; raises AlreadyRunning if there is one on any machine.

        The right is lost with the connection that holds it, so a daemon calls this now and then. An SQLite store has
        its lock file for that.
        """
        if self._claim is not None:
            with self._told():
                self._claim.hold()

    def close(self) -> None:
        """Give back every connection."""
        if self._claim is not None:
            self._claim.release()
        self._reader.dispose()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            # Their subclasses (a broken constraint, wrong SQL) are mistakes of ours and not of the database.
            if type(error) not in (DatabaseError, OperationalError, InterfaceError):
                raise
            raise self._unavailable(error.orig or error) from error
        except sqlite3.Error as error:
            raise self._unavailable(error) from error

    def _unavailable(self, cause: BaseException) -> StoreUnavailable:
        lines = str(cause).strip().splitlines() or [type(cause).__name__]
        return StoreUnavailable(f"the store {self._name} cannot be used: {lines[0]}")


def _place(url: str, folder: Path) -> URL:
    expected = "expected sqlite:///FILE or postgresql+psycopg://…"
    try:
        place = make_url(url)
    except ArgumentError:
        raise StoreUnavailable(f"the store's url does not read: {expected}") from None
    if place.get_backend_name() == "postgresql":
        return place
    if place.get_backend_name() != "sqlite" or place.database in (None, "", ":memory:"):
        raise StoreUnavailable(f"the store's url is {place.render_as_string(hide_password=True)!r}: {expected}")
    return place.set(database=str(folder / place.database))


def _timeout(place: URL, wait_s: float) -> float:
    told = place.query.get("timeout", wait_s) if place.get_backend_name() == "sqlite" else wait_s
    try:
        return float(told)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise StoreUnavailable(f"the store's url says timeout = {told!r}: expected a number of seconds") from None


def _sqlite_engine(place: URL, wait_s: float) -> Engine:
    engine = create_engine(place, json_serializer=dump_json, connect_args={"timeout": wait_s})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _postgresql_engine(place: URL, wait_s: float, **options: Any) -> Engine:
    # Of two machines either notices within some two minutes, and not hours, that the other one vanished.
    patience = {"keepalives_idle": 60, "keepalives_interval": 15, "keepalives_count": 4}
    given = {"connect_timeout": max(2, int(wait_s)), **patience}
    connect_args = {name: value for name, value in given.items() if name not in place.query}
    try:
        engine = create_engine(place, json_serializer=dump_json, connect_args=connect_args, **options)
    except ModuleNotFoundError as error:
        raise StoreUnavailable(f"the store's url needs the Python package {error.name}, which is missing") from error
    logging.getLogger("psycopg").setLevel(logging.ERROR)  # it warns of what it raises as well
    event.listen(engine, "connect", _prepare_postgresql)
    if "isolation_level" not in options:
        event.listen(engine, "begin", _postgresql_beginner(wait_s))
    return engine


def _prepare_postgresql(connection: Any, _record: Any) -> None:
    before, connection.autocommit = connection.autocommit, True
    connection.execute("SET tcp_keepalives_idle = 60; SET tcp_keepalives_interval = 15; SET tcp_keepalives_count = 4")
    connection.autocommit = before


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # else the driver opens transactions by rules of its own
    connection.execute("PRAGMA foreign_keys = ON")
    # Every commit is on the disk when it is told: without that, a power cut could take back what was already called
    # taken, and the file may be gone from the folder by then. It costs 3 ms a commit, and 50 files share one.
    connection.execute("PRAGMA synchronous = FULL")


def _begin_sqlite(conn: Connection) -> None:
    # A transaction that reads first and asks for the write lock later fails at once if somebody wrote in between, so
    # a writer takes the lock at its beginning, where the time-out holds.
    writes = conn.get_execution_options().get(_WRITES, False)
    conn.exec_driver_sql(f"PRAGMA query_only = {'OFF' if writes else 'ON'}")
    conn.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _postgresql_beginner(wait_s: float) -> Any:
    def begin(conn: Connection) -> None:
        if conn.get_execution_options().get(_WRITES, False):
            conn.exec_driver_sql(f"SET LOCAL lock_timeout = {int(wait_s * 1000)}")
            conn.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})")
        else:
            conn.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")

    return begin


def _turn_on_wal(engine: Engine, wait_s: float) -> None:
    """Write-ahead logging, which stays on in the file; a second process at this very moment is waited for."""
    until = time.monotonic() + wait_s
    connection = engine.raw_connection()
    try:
        while not _has_wal(connection.driver_connection):
            if time.monotonic() > until:
                raise StoreUnavailable(f"the store {engine.url.database} stayed locked by another program")
            time.sleep(0.02)
    finally:
        connection.close()


def _has_wal(connection: Any) -> bool:
    """Whether the file logs ahead now; unlike BEGIN, this pragma does not wait for a lock by itself."""
    try:
        (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    except sqlite3.OperationalError as error:
        if "locked" not in str(error):
            raise
        return False
    if mode != "wal":
        raise StoreUnavailable(
            f"the store's file system allows no write-ahead log (found mode {mode!r}): use a local disk"
        )
    return True
