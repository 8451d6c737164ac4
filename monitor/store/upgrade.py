"""Which schema a database has, and the way to the one that this program works with."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from sqlalchemy import Connection, inspect, text

from ingest.errors import StoreUnavailable
from monitor.store.schema import REVISIONS

Transaction = Callable[[], AbstractContextManager[Connection]]


def upgrade(read: Transaction, write: Transaction) -> None:
    """Run the migrations that are due, all in one transaction; raises StoreUnavailable for a schema of the future."""
    with read() as conn:
        if _is_current(conn):
            return
    with write() as conn:
        if not _is_current(conn):  # another process may have been quicker
            _migrate(conn)


def _is_current(conn: Connection) -> bool:
    stored = stored_revision(conn)
    if stored is not None and stored not in REVISIONS:
        raise StoreUnavailable(
            f"the store has schema {stored}, and this program knows schemas up to {REVISIONS[-1]}: "
            "it was written by a newer version, so install that one"
        )
    return stored == REVISIONS[-1]


def stored_revision(conn: Connection) -> str | None:
    """The revision that the migrations left in the database, None in an empty one."""
    if not inspect(conn).has_table("alembic_version"):
        return None
    return conn.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def _migrate(conn: Connection) -> None:
    # Importing alembic takes half a second, which a command that finds the schema up to date need not wait for.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "monitor.store:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = conn
    command.upgrade(config, "head")
