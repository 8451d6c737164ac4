"""One daemon for a PostgreSQL store, wherever it runs: a lock in the server, which ends with its connection.

A lock file keeps apart the daemons of one machine, which is all that an SQLite file needs.
"""

from __future__ import annotations

from contextlib import suppress

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from monitor.lock import AlreadyRunning

_LOCK = 0x_AF7E_2CA3  # any number of our own but the writers'
_HOLDER = text(
    "SELECT coalesce(host(client_addr), 'the database''s own machine') FROM pg_locks LEFT JOIN pg_stat_activity "
    "USING (pid) WHERE locktype = 'advisory' AND granted AND classid = 0 AND objid = :lock AND objsubid = 1 "
    "AND pg_locks.database = (SELECT oid FROM pg_database WHERE datname = current_database())"
).bindparams(lock=_LOCK)


class Claim:
    """A daemon's sole right to a store, held by a connection of its own, of an engine that keeps none in store."""

    def __init__(self, engine: Engine) -> None:
        self._name = engine.url.render_as_string(hide_password=True)
        self._engine = engine
        self._conn: Connection | None = None

    def hold(self) -> None:
        """Take the right, or see to it that it is still there; raises AlreadyRunning if it is somebody else's."""
        if self._is_alive():
            return
        self.release()
        conn = self._engine.connect()
        if not conn.execute(text(f"SELECT pg_try_advisory_lock({_LOCK})")).scalar():
            holder = conn.execute(_HOLDER).scalar() or "an unknown machine"
            conn.close()
            raise AlreadyRunning(
                f"{self._name}: a daemon (connected from {holder}) is already at work on this store; expected only one"
            )
        self._conn = conn

    def release(self) -> None:
        """Give the right back, at once: a server notices only after a while that a connection is gone."""
        if self._conn is not None:
            if not self._conn.invalidated:
                with suppress(DBAPIError):
                    self._conn.execute(text(f"SELECT pg_advisory_unlock({_LOCK})"))
            self._conn.close()
            self._conn = None

    def _is_alive(self) -> bool:
        if self._conn is None:
            return False
        try:
            self._conn.execute(text("SELECT 1"))
        except DBAPIError:
            return False
        return True


def is_claimed(conn: Connection) -> bool | None:
    """Whether a daemon holds the store, wherever it runs; None: this database does not know."""
    if conn.dialect.name != "postgresql":
        return None
    return conn.execute(_HOLDER).first() is not None
