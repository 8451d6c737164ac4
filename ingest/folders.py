"""Which entries of a folder fit a pattern, without following links into other trees and without missing a folder."""

from __future__ import annotations

import fnmatch
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

_WILD = re.compile(r"[*?\[]")
# A folder that is not there yet has no files; any other error is told.
_ABSENT = (FileNotFoundError, NotADirectoryError)


@dataclass(slots=True)
class Found:
    """Paths relative to the folder that was searched, in order, and the folders that could not be listed."""

    paths: list[str] = field(default_factory=list)
    closed: dict[str, str] = field(default_factory=dict)  # folder: why


def find_entries(home: Path, pattern: str) -> Found:
    """Every entry below `home` that fits; `**` stands for any folders. Hidden names are passed over."""
    found, paths = Found(), set()
    todo: list[tuple[str, tuple[str, ...]]] = [("", PurePosixPath(pattern).parts)]
    while todo:  # no recursion: folders may be nested deeper than the interpreter's stack
        folder, parts = todo.pop()
        for path, rest in _step(home, folder, parts, found):
            if rest:
                todo.append((path, rest))
            else:
                paths.add(path)
    found.paths = sorted(paths, key=lambda path: path.split("/"))
    return found


def _step(home: Path, folder: str, parts: tuple[str, ...], found: Found) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What the first part of a pattern fits in one folder, each with the parts that are left."""
    part, rest = parts[0], parts[1:]
    if part == "**":
        if rest:
            yield folder, rest
        for entry in _entries(home, folder, found):
            if entry.is_dir(follow_symlinks=False):
                yield _join(folder, entry.name), parts
            elif not rest:
                yield _join(folder, entry.name), ()
    elif not _WILD.search(part):
        if rest or os.path.lexists(os.path.join(home, folder, part)):
            yield _join(folder, part), rest
    else:
        fits = re.compile(fnmatch.translate(part)).match
        for entry in _entries(home, folder, found):
            if fits(entry.name) and (not rest or entry.is_dir()):
                yield _join(folder, entry.name), rest


def _entries(home: Path, folder: str, found: Found) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(os.path.join(home, folder)) as entries:
            yield from (entry for entry in entries if not entry.name.startswith("."))
    except _ABSENT:
        return
    except OSError as error:
        found.closed[folder or "."] = error.strerror or type(error).__name__


def _join(folder: str, name: str) -> str:
    return f"{folder}/{name}" if folder else name
