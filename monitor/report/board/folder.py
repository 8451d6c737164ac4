"""The board's folder: what in it is ours, written so that no reader ever sees half a page.

A manifest says which files are ours and what they were made of. Before a file is written its name is noted in a
journal, so that after a crash it is known that it is ours, and that it may be another one than the manifest says.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ingest.errors import AftercareError, ConfigurationError

MANIFEST, JOURNAL = "board-manifest.json", "board-journal.txt"
_SCHEMA = 1
# What a manifest may call ours: whoever writes to it cannot make us delete anything else.
_OURS = re.compile(r"(index\.html|list-\d+\.html|board\.css|board\.js|lines-\d+\.js|sites/[\w.-]+\.(html|svg|png))")


class BoardUnwritten(AftercareError):
    """A file of the board could not be written; what was there before stays."""


@contextmanager
def board_folder_taken(path: Path) -> Iterator[BoardFolder]:
    """The folder for one writer: made if it is not there, and nobody else's while the block runs."""
    try:
        path.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except (FileExistsError, NotADirectoryError):
        raise ConfigurationError([f"{path}: is a file; expected a folder for the board"]) from None
    except OSError as error:
        raise ConfigurationError([f"{path}: cannot be used: {error.strerror or error}"]) from None
    try:
        _lock(handle, path)
        yield BoardFolder.open(path)
    finally:
        os.close(handle)


class BoardFolder:
    """The folder while a board is written. `sites` holds what the last writing noted of each site."""

    def __init__(self, path: Path, files: dict[str, str], sites: dict[str, Any], begun: frozenset[str]) -> None:
        self.path, self.sites = path, sites
        self._before, self._begun = files, begun
        self._now: dict[str, str] = {}
        self.written = self.removed = 0

    @classmethod
    def open(cls, path: Path) -> BoardFolder:
        """Take a folder: a new or empty one, or one that holds a board; anything else is refused."""
        manifest, journal = path / MANIFEST, path / JOURNAL
        try:
            known = json.loads(manifest.read_text("utf-8")) if manifest.exists() else None
            noted = journal.read_text("utf-8").splitlines() if journal.exists() else []
            foreign = known is None and not journal.exists() and any(path.iterdir())
        except (json.JSONDecodeError, UnicodeDecodeError):
            raise ConfigurationError([f"{manifest}: is damaged; delete the folder and write the board anew"]) from None
        except OSError as error:
            raise ConfigurationError([f"{path}: cannot be used: {error.strerror or error}"]) from None
        if foreign:
            raise ConfigurationError(
                [f"{path}: holds other things; expected a new or empty folder, or one with a board in it"]
            )
        known = {"schema": _SCHEMA, "files": {}, "sites": {}} if known is None else known
        _check(manifest, known)
        begun = frozenset(name for name in noted if _OURS.fullmatch(name))  # the last one may be cut short
        files = {name: digest for name, digest in known["files"].items() if name not in begun}
        return cls(path, files, known["sites"], begun)

    def put(self, name: str, data: str | bytes) -> None:
        """Have this content under this name; an unchanged file is left alone."""
        content = data.encode() if isinstance(data, str) else data
        digest = hashlib.sha256(content).hexdigest()[:32]
        place = self.path / name
        self._now[name] = digest
        with _told(place):
            if self._before.get(name) == digest and place.is_file():
                return
            if name not in self._before and name not in self._begun and place.exists():
                raise ConfigurationError([f"{place}: is not the board's own; expected nothing of that name"])
            self._note(name)
            place.parent.mkdir(exist_ok=True)
            _replace(place, content)
        self.written += 1

    def has(self, name: str) -> bool:
        """Whether a file of the last writing is still there."""
        return name in self._before and (self.path / name).is_file()

    def keep(self, name: str) -> None:
        """Leave a file as it is."""
        self._now.setdefault(name, self._before[name])

    def finish(self, sites: dict[str, Any]) -> None:
        """Delete our files that are no longer wanted, and note what is there now."""
        for name in sorted((self._before.keys() | self._begun) - self._now.keys()):
            with _told(self.path / name):
                self.removed += (self.path / name).is_file()
                (self.path / name).unlink(missing_ok=True)
        self._save(self._now, sites)

    def save(self, sites: dict[str, Any]) -> None:
        """Note how far the writing is, so that one that is cut short need not begin anew."""
        self._save(self._before | self._now, self.sites | sites)

    def _save(self, files: dict[str, str], sites: dict[str, Any]) -> None:
        manifest = {"schema": _SCHEMA, "files": files, "sites": sites}
        text = json.dumps(manifest, separators=(",", ":"), sort_keys=True).encode()
        place = self.path / MANIFEST
        with _told(place):
            if not place.exists() or place.read_bytes() != text:
                _replace(place, text)
            (self.path / JOURNAL).unlink(missing_ok=True)

    def _note(self, name: str) -> None:
        with (self.path / JOURNAL).open("a", encoding="utf-8") as journal:
            journal.write(f"{name}\n")


def _lock(handle: int, path: Path) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise BoardUnwritten(f"{path}: another writing of the board is at work there; expected one at a time") from None


def _check(manifest: Path, known: Any) -> None:
    if not isinstance(known, dict) or known.get("schema") != _SCHEMA:
        raise ConfigurationError([f"{manifest}: is not the manifest of a board that this version knows"])
    strange = [name for name in known["files"] if not _OURS.fullmatch(name)]
    if strange:
        raise ConfigurationError([f"{manifest}: names {strange[0]!r}, which is no file of a board; delete the folder"])


def _replace(place: Path, content: bytes) -> None:
    part = place.with_name(f".{place.name}.part")
    try:
        part.write_bytes(content)
        os.replace(part, place)
    except OSError:
        part.unlink(missing_ok=True)
        raise


@contextmanager
def _told(place: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise BoardUnwritten(
            f"{place}: the board could not be written: {error.strerror or error}; "
            "what was there before stays, and the next writing completes it"
        ) from None
