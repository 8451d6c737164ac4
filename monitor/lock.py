"""One daemon per store: a lock file that the kernel frees when its holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.errors import StoreUnavailable

_SQLITE = "sqlite:///"


class AlreadyRunning(StoreUnavailable):
    """Another daemon works on this store."""


def lock_path(url: str, folder: Path) -> Path:
    """The lock file of a store: beside an SQLite file, else in the fleet folder."""
    if url.startswith(_SQLITE):
        database = folder / url.removeprefix(_SQLITE).split("?")[0]
        return database.with_name(database.name + ".lock")
    return folder / "aftercare.lock"


@contextmanager
def only_instance(path: Path) -> Iterator[None]:
    """Hold the lock while the block runs; raise AlreadyRunning, naming the holder, if it is taken."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreUnavailable(f"{path}: the lock file cannot be opened: {error.strerror}") from None
    try:
        if not _taken(handle):
            holder = os.read(handle, 20).decode("ascii", "replace").strip() or "unknown"
            raise AlreadyRunning(
                f"{path}: a daemon (process {holder}) is already at work on this store; expected only one"
            )
        os.ftruncate(handle, 0)
        os.write(handle, str(os.getpid()).encode())
        yield
    finally:
        os.close(handle)


def _taken(handle: int) -> bool:
    for _ in range(5):
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            time.sleep(0.05)  # somebody who only looks holds it for a moment
    return False


def is_held(path: Path) -> bool:
    """Whether a process of this machine holds the lock."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False
