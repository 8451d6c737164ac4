"""The file that somebody asks about: its content as a pass would meet it, unpacked where it is packed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ingest.arrivals import Arrival, chunks_of
from ingest.contents import Content, look_into, read_content
from ingest.errors import ConfigurationError, InputError
from ingest.packed import gzip_part, zip_parts
from ingest.readings import Channel, ReadResult, Table, Values
from ingest.sources import FileSource
from monitor.config import Fleet
from monitor.jobs.plausible import Believable, keep_believable

_HEAD = 8 << 20


@dataclass(frozen=True, slots=True)
class SampleFile:
    """A file under its path in the fleet folder or, when it lies elsewhere, under its name."""

    path: Path
    name: str
    inside: bool
    content: Content

    def read(self, source: FileSource, bounds: Believable) -> ReadResult:
        """All of it by a source, without what cannot be true of the site."""
        return combine(keep_believable(result, name, bounds) for name, result in read_content(self.content, source))

    def head(self, limit: int = _HEAD) -> bytes:
        """The first lines of its first text; InputError when it holds none."""
        held = bytearray()
        with self.content.arrival.open() as stream:
            for chunk in self._first_text(stream):
                held += chunk
                if len(held) > limit:
                    return bytes(held[: held.rfind(b"\n", 0, limit) + 1 or limit])
        return bytes(held)

    def _first_text(self, stream: BinaryIO) -> Iterator[bytes]:
        if self.content.packing == "plain":
            return chunks_of(stream)
        if self.content.packing == "gzip":
            return gzip_part(self.name, lambda: chunks_of(stream), self.content.size).chunks()
        parts = zip_parts(self.name, stream, self.content.size)
        sound = [part for part in parts if not part.fault]
        if not sound:
            raise InputError(parts[0].name, parts[0].fault)
        return sound[0].chunks()


def open_sample(fleet: Fleet, path: Path) -> SampleFile:
    """Look at a file as seen from here, else as seen from the fleet folder; InputError when it cannot be read."""
    home = fleet.folder.resolve()
    found = next((place.resolve() for place in (path, home / path) if place.is_file()), None)
    if found is None:
        raise ConfigurationError(
            [f"--sample {path}: no such file, neither here nor in the fleet folder {fleet.folder}"]
        )
    inside = found.is_relative_to(home)
    name = found.relative_to(home).as_posix() if inside else found.name
    status = found.stat()
    arrival = Arrival(name, status.st_size, int(status.st_mtime), found)
    return SampleFile(found, name, inside, look_into(arrival))


def combine(results: Iterable[ReadResult]) -> ReadResult:
    """The results of a file's texts, or pieces, as one."""
    every = list(results)
    if len(every) == 1:
        return every[0]
    return ReadResult(
        tables=tuple(_merged(table for result in every for table in result.tables)),
        rejects=tuple(reject for result in every for reject in result.rejects),
        rows=sum(result.rows for result in every),
        notes=tuple(dict.fromkeys(note for result in every for note in result.notes)),
        dialect=next((result.dialect for result in every if result.dialect is not None), None),
        conflicts=sum(result.conflicts for result in every),
    )


def _merged(tables: Iterable[Table]) -> Iterator[Table]:
    """Every channel once; tables that hold the same channels are put one after the other, later values win."""
    alike: dict[frozenset[Channel], list[Table]] = {}
    for table in tables:
        alike.setdefault(frozenset(table.columns), []).append(table)
    for members in alike.values():
        starts = np.concatenate([table.starts for table in members])
        # Of equal times the last in the file's order.
        axis, from_end = np.unique(starts[::-1], return_index=True)
        place = starts.size - 1 - from_end
        yield Table(axis, {c: _joined(c, members)[place] for c in members[0].columns})


def _joined(channel: Channel, tables: list[Table]) -> Values:
    return np.concatenate([table.columns[channel] for table in tables])
