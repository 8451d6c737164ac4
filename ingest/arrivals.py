"""Files that have arrived for a source: which are to be read, which are still being written, which are refused."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from ingest.errors import InputError
from ingest.folders import find_entries
from ingest.readings import Reject
from ingest.sources import FileSource

CHUNK = 1 << 20
_READ_AT_ONCE = 128 << 20
# Part of every source's hash: raise it when files that were read before must be read again.
_READING = 2
_UNFINISHED = (".part", ".tmp")
# File systems keep times by the second or two, and clocks of shares differ: a younger file may change unnoticed.
_RACY_S = 3


@dataclass(frozen=True, slots=True)
class Arrival:
    """One file to be read; `path` is relative to the fleet folder, with forward slashes."""

    path: str
    size: int
    modified: int  # UTC epoch seconds
    file: str | Path  # where it can be opened
    stamp: str = ""  # size, times and inode as the file system tells them
    changed: int = 0  # the later of the times of content and inode, UTC epoch seconds

    @contextmanager
    def open(self) -> Iterator[BinaryIO]:
        """The file for reading; InputError when it is gone, has become something else, or cannot be read."""
        try:
            # Not to block on a pipe, nor to follow a link, that took the file's place since it was listed.
            with open(os.open(self.file, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW), "rb", buffering=0) as stream:
                if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                    raise InputError(self.path, "is no longer a regular file")
                yield stream
        except OSError as error:
            raise InputError(self.path, f"cannot be read: {error.strerror}") from None

    def read(self) -> bytes:
        """All of the file at once; InputError as for `open`, and when it is too large for that."""
        with self.open() as stream:
            data = bytearray()
            for chunk in chunks_of(stream):
                data += chunk
                if len(data) > _READ_AT_ONCE:
                    raise InputError(self.path, f"larger than {_READ_AT_ONCE >> 20} MB; expected a smaller file")
        return bytes(data)

    def is_settled(self, now: int) -> bool:
        """Whether a change after `now` must show in the stamp."""
        return now - self.changed > _RACY_S

    @property
    def sha256(self) -> str:
        """Hash of the content; InputError as for `open`."""
        with self.open() as stream:
            return stream_hash(chunks_of(stream))


@dataclass(frozen=True, slots=True)
class Listing:
    """A source's files by what is to be done with them, each in order of their paths."""

    arrivals: tuple[Arrival, ...]
    waiting: tuple[str, ...]  # changed a moment ago: may still be written
    rejects: tuple[Reject, ...]
    is_whole: bool = True  # False: a folder could not be listed, so that files may be missing here

    @property
    def paths(self) -> frozenset[str]:
        """Every path that lies there."""
        return frozenset([*(a.path for a in self.arrivals), *self.waiting, *(r.file for r in self.rejects)])


def list_arrivals(
    folder: Path, source: FileSource, *, now: int, settle_s: int, only: Collection[Path] | None = None
) -> Listing:
    """Look for a source's files under the fleet folder.

    A file that was changed less than `settle_s` seconds ago waits. `only` names the files that somebody asked for:
    of these the ones that are the source's are listed, without waiting.
    """
    home = _Home(folder.resolve(), source.files)
    asked = None if only is None else {str(_plain(path)) for path in only}
    found = find_entries(home.path, source.files)
    arrivals, waiting, rejects = [], [], []
    if asked is None:
        rejects += [_refuse(_shown(path), f"the folder cannot be listed: {why}") for path, why in found.closed.items()]
    for path in found.paths:
        if path.lower().endswith(_UNFINISHED) or (asked is not None and f"{home.path}/{path}" not in asked):
            continue
        arrival = home.look_at(path)
        if isinstance(arrival, Reject):
            rejects.append(arrival)
        elif arrival is not None and asked is None and abs(now - arrival.modified) < settle_s:
            waiting.append(arrival.path)
        elif arrival is not None:
            arrivals.append(arrival)
    return Listing(tuple(arrivals), tuple(waiting), tuple(rejects), is_whole=not found.closed)


def chunks_of(stream: BinaryIO) -> Iterator[bytes]:
    """All of a file from its beginning, by and by."""
    stream.seek(0)
    while chunk := stream.read(CHUNK):
        yield chunk


def stream_hash(chunks: Iterator[bytes]) -> str:
    """The name of a content in the ledger."""
    digest = hashlib.sha256()
    for chunk in chunks:
        digest.update(chunk)
    return digest.hexdigest()


def content_hash(data: bytes) -> str:
    """The name of a content in the ledger."""
    return hashlib.sha256(data).hexdigest()


def config_hash(source: FileSource) -> str:
    """Hash of all of a source that decides how its files are read; where they lie does not matter."""
    told = source.model_dump_json(exclude={"id", "files"})
    return hashlib.sha256(f"{_READING} {told}".encode()).hexdigest()


@dataclass(slots=True)
class _Home:
    """The fleet folder; remembers where the folders in it really are."""

    path: Path
    pattern: str
    _folders: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._folders[""] = str(self.path)

    def look_at(self, path: str) -> Arrival | Reject | None:
        """What one directory entry is; None for a folder, and for what vanished meanwhile."""
        if not path.isprintable():
            return _refuse(
                _shown(path), "its name holds bytes or control characters that cannot be shown; expected plain text"
            )
        where, name = os.path.split(path)
        try:
            folder = self._real(where)
            target = os.path.join(folder, name)
            status = os.lstat(target)
            if stat.S_ISLNK(status.st_mode):
                target = os.path.realpath(target, strict=True)
                folder, status = os.path.dirname(target), os.lstat(target)
        except (OSError, RuntimeError) as error:
            return self._unreachable(path, error)
        if not Path(folder).is_relative_to(self.path):
            return _refuse(path, "leads out of the fleet folder by a link; expected a file inside it")
        return self._by_kind(path, target, status)

    def _by_kind(self, path: str, target: str, status: os.stat_result) -> Arrival | Reject | None:
        if stat.S_ISDIR(status.st_mode):
            return _refuse(path, "a folder; expected a file") if PurePosixPath(self.pattern).suffix else None
        if not stat.S_ISREG(status.st_mode):
            return _refuse(path, "not a regular file but a pipe, a socket or a device")
        stamp = f"{status.st_size} {status.st_mtime_ns} {status.st_ctime_ns} {status.st_ino}"
        changed = int(max(status.st_mtime, status.st_ctime))
        return Arrival(path, status.st_size, int(status.st_mtime), target, stamp, changed)

    def _unreachable(self, path: str, error: Exception) -> Reject | None:
        why = getattr(error, "strerror", None) or type(error).__name__
        if os.path.islink(self.path / path):
            return _refuse(path, f"a link that leads nowhere: {why}")
        return None if isinstance(error, FileNotFoundError) else _refuse(path, f"cannot be reached: {why}")

    def _real(self, folder: str) -> str:
        """Where a folder really is; asks about each folder once, and not again about those that it lies in."""
        unknown = []
        while folder not in self._folders:
            unknown.append(folder)
            folder = os.path.dirname(folder)
        for below in reversed(unknown):
            place = os.path.join(self._folders[os.path.dirname(below)], os.path.basename(below))
            self._folders[below] = os.path.realpath(place, strict=True) if os.path.islink(place) else place
        return self._folders[unknown[0] if unknown else folder]


def _plain(path: Path) -> Path:
    """The path without `..` and with its folder's links followed, but not its own."""
    absolute = Path(os.path.abspath(path))
    return absolute.parent.resolve() / absolute.name


def _shown(path: str) -> str:
    return path if path.isprintable() else ascii(path)[1:-1]


def _refuse(path: str, reason: str) -> Reject:
    return Reject(path, None, "", "", reason)
