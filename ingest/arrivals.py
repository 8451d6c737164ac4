"""Files that have arrived for a source: which are to be read, which are still being written, which are refused."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import InputError
from ingest.readings import Reject
from ingest.sources import FileSource

LARGEST_FILE = 128 * 1024 * 1024
# Part of every source's hash: raise it when files that were read before must be read again.
_READING = 1
_UNFINISHED = (".part", ".tmp")
_COMPRESSED = (".zip", ".gz")


@dataclass(frozen=True, slots=True)
class Arrival:
    """One file to be read; `path` is relative to the fleet folder, with forward slashes."""

    path: str
    size: int
    modified: int  # UTC epoch seconds
    file: Path

    def read(self) -> bytes:
        """All of the file; InputError when it is gone, has become something else, or is too large."""
        try:
            # Not to block on a pipe, nor to follow a link, that took the file's place since it was listed.
            with open(os.open(self.file, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW), "rb") as stream:
                if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                    raise InputError(self.path, "is no longer a regular file")
                data = stream.read(LARGEST_FILE + 1)
        except OSError as error:
            raise InputError(self.path, f"cannot be read: {error.strerror}") from None
        if len(data) > LARGEST_FILE:
            raise InputError(self.path, _too_large(len(data)))
        return data

    @property
    def sha256(self) -> str:
        """Hash of the content; InputError as for `read`."""
        return content_hash(self.read())


@dataclass(frozen=True, slots=True)
class Listing:
    """A source's files by what is to be done with them, each in order of their paths."""

    arrivals: tuple[Arrival, ...]
    waiting: tuple[str, ...]  # changed a moment ago: may still be written
    rejects: tuple[Reject, ...]


def list_arrivals(
    folder: Path, source: FileSource, *, now: int, settle_s: int, only: Collection[Path] | None = None
) -> Listing:
    """Look for a source's files under the fleet folder.

    A file that was changed less than `settle_s` seconds ago waits. `only` names the files that somebody asked for:
    of these the ones that are the source's are listed, without waiting.
    """
    home = folder.resolve()
    asked = None if only is None else {_plain(path) for path in only}
    arrivals, waiting, rejects = [], [], []
    for found in sorted(home.glob(source.files)):
        if _is_passed_over(found.relative_to(home)) or (asked is not None and found not in asked):
            continue
        arrival = _look_at(found, home)
        if isinstance(arrival, Reject):
            rejects.append(arrival)
        elif arrival is not None and asked is None and abs(now - arrival.modified) < settle_s:
            waiting.append(arrival.path)
        elif arrival is not None:
            arrivals.append(arrival)
    return Listing(tuple(arrivals), tuple(waiting), tuple(rejects))


def content_hash(data: bytes) -> str:
    """The name of a content in the ledger."""
    return hashlib.sha256(data).hexdigest()


def config_hash(source: FileSource) -> str:
    """Hash of all that decides how a source's files are read; where they lie does not matter."""
    told = source.model_dump_json(exclude={"id", "files"})
    return hashlib.sha256(f"{_READING} {told}".encode()).hexdigest()


def _plain(path: Path) -> Path:
    """The path without `..` and with its folder's links followed, but not its own."""
    absolute = Path(os.path.abspath(path))
    return absolute.parent.resolve() / absolute.name


def _is_passed_over(path: Path) -> bool:
    hidden = any(part.startswith(".") for part in path.parts)
    return hidden or path.suffix.lower() in _UNFINISHED


def _look_at(found: Path, home: Path) -> Arrival | Reject | None:
    """What one directory entry is; None for a folder, and for what vanished meanwhile."""
    path = found.relative_to(home).as_posix()
    if not path.isprintable():
        shown = ascii(path)[1:-1]
        return _refuse(shown, "its name holds bytes or control characters that cannot be shown; expected plain text")
    try:
        target = found.resolve(strict=True)
        status = target.stat()
    except (OSError, RuntimeError) as error:
        if not found.is_symlink():
            return None
        return _refuse(path, f"a link that leads nowhere: {getattr(error, 'strerror', error)}")
    if not target.is_relative_to(home):
        return _refuse(path, "leads out of the fleet folder by a link; expected a file inside it")
    if stat.S_ISDIR(status.st_mode):
        return None
    if not stat.S_ISREG(status.st_mode):
        return _refuse(path, "not a regular file but a pipe, a socket or a device")
    if found.suffix.lower() in _COMPRESSED:
        return _refuse(path, "a compressed file, which this version does not open; expected it unpacked")
    if status.st_size > LARGEST_FILE:
        return _refuse(path, _too_large(status.st_size))
    return Arrival(path, status.st_size, int(status.st_mtime), target)


def _too_large(size: int) -> str:
    return f"larger than {LARGEST_FILE // 1024**2} MB ({size} bytes or more); expected it in smaller files"


def _refuse(path: str, reason: str) -> Reject:
    return Reject(path, None, "", "", reason)
