"""Readers: the bytes of an export to readings and rejects; one explicit table of kinds."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Protocol

from ingest.errors import InputError
from ingest.readers.registers import read_registers
from ingest.readers.table import read_table
from ingest.readings import ReadResult
from ingest.sources import BusSource, RegisterSource, TableSource

READERS: dict[str, Callable[..., ReadResult]] = {"table": read_table, "registers": read_registers}


class Reader(Protocol):
    """Reads the bytes of one file; `name` is how rejects speak of it."""

    def __call__(self, data: bytes, *, name: str) -> ReadResult:
        """Read; what cannot be read is in the result's rejects."""


def read_file(data: bytes, *, name: str, source: TableSource | RegisterSource | BusSource) -> ReadResult:
    """Read one file of a source; InputError for a source that this version cannot read."""
    return reader_for(source)(data, name=name)


def reader_for(source: TableSource | RegisterSource | BusSource) -> Reader:
    """The reader of a source; InputError for a source that this version cannot read."""
    if source.kind not in READERS:
        known = ", ".join(sorted(READERS))
        raise InputError(f"source {source.id}", f"kind {source.kind!r} is not read by this version; it reads {known}")
    return partial(READERS[source.kind], source=source)
