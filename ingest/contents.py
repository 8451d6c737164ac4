"""What a file held at one look: small ones are kept in memory, large ones are read again and held to their hash."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO

from ingest.arrivals import Arrival, chunks_of
from ingest.errors import InputError
from ingest.packed import Chunks, Packing, Part, gzip_part, packing_of, zip_parts
from ingest.pieces import read_in_pieces
from ingest.readers import Reader, reader_for
from ingest.readings import ReadResult, Reject
from ingest.sources import FileSource, TableSource

HELD = 32 << 20  # bytes; more than a year of a large home in one file


class Changed(InputError):
    """The file became another one while it was read; it is for the next pass."""


@dataclass(frozen=True, slots=True)
class Content:
    """A file's content by its hash, with the bytes themselves unless they are too many to be held."""

    arrival: Arrival
    sha256: str
    size: int
    packing: Packing
    tail: bytes  # the last bytes
    data: bytes | None

    @property
    def ends_open(self) -> bool:
        """Whether the last line is without an end, so that more of it may come."""
        return self.packing == "plain" and not self.tail.endswith((b"\n", b"\r", b"\n\0", b"\r\0"))


def look_into(arrival: Arrival) -> Content:
    """Read a file once; InputError as for `Arrival.open`."""
    digest, size, held, head, tail = hashlib.sha256(), 0, list[bytes](), b"", b""
    with arrival.open() as stream:
        for chunk in chunks_of(stream):
            head, tail = head or chunk[:4], chunk[-2:] if len(chunk) > 1 else tail[-1:] + chunk
            digest.update(chunk)
            size += len(chunk)
            if size <= HELD:
                held.append(chunk)
            else:
                held.clear()
    data = b"".join(held) if size <= HELD else None
    return Content(arrival, digest.hexdigest(), size, packing_of(head), tail, data)


def read_content(content: Content, source: FileSource) -> Iterator[tuple[str, ReadResult]]:
    """Read all texts of a file by their names, large ones in pieces; what cannot be read is in the rejects.

    Raises Changed, after the last result at the latest, when what was read is not what was hashed.
    """
    reader = reader_for(source)
    path = content.arrival.path
    try:
        with _parts(content) as parts:
            for part in parts:
                for result in _read_part(part, reader, source, content):
                    yield part.name, result
    except Changed:
        raise
    except InputError as error:
        _check_again(content)
        yield path, refusal(path, error.reason)


def refusal(name: str, reason: str) -> ReadResult:
    """The result of a file that is not read at all."""
    return ReadResult((), (Reject(name, None, "", "", reason),), 0)


def gather(chunks: Iterator[bytes], limit: int) -> bytes | None:
    """All chunks as one; None when they are more than `limit` bytes."""
    held = bytearray()
    for chunk in chunks:
        held += chunk
        if len(held) > limit:
            return None
    return bytes(held)


@contextmanager
def _parts(content: Content) -> Iterator[list[Part]]:
    path = content.arrival.path
    with _opened(content) as stream:
        chunks = _checked_chunks(content, stream)
        if content.packing == "gzip":
            yield [gzip_part(path, chunks, content.size)]
        elif content.packing == "zip":
            yield zip_parts(path, stream, content.size)
            _check_again(content)
        else:
            yield [Part(path, chunks)]


@contextmanager
def _opened(content: Content) -> Iterator[BinaryIO]:
    if content.data is not None:
        yield io.BytesIO(content.data)
        return
    with content.arrival.open() as stream:
        yield stream


def _checked_chunks(content: Content, stream: BinaryIO) -> Chunks:
    """All of the file; Changed at its end unless it was what was hashed."""

    def chunks() -> Iterator[bytes]:
        digest = hashlib.sha256()
        for chunk in chunks_of(stream):
            digest.update(chunk)
            yield chunk
        if content.data is None and digest.hexdigest() != content.sha256:
            raise _changed(content.arrival.path)

    return chunks


def _check_again(content: Content) -> None:
    """Whether it is still the file that was hashed: what is wrong with it may come of a change meanwhile."""
    if content.data is None and content.arrival.sha256 != content.sha256:
        raise _changed(content.arrival.path)


def _changed(path: str) -> Changed:
    return Changed(path, "changed while it was read; the next pass takes it")


def _read_part(part: Part, reader: Reader, source: FileSource, content: Content) -> Iterator[ReadResult]:
    if part.fault:
        yield refusal(part.name, part.fault)
        return
    try:
        held = content.data if content.packing == "plain" else None
        data = gather(part.chunks(), HELD) if held is None else held
        if data is not None:
            yield reader(data, name=part.name)
        elif isinstance(source, TableSource):
            yield from read_in_pieces(part.chunks, name=part.name, source=source)
        else:
            told = f"larger than {HELD >> 20} MB; a register dump is read as a whole"
            yield refusal(part.name, f"{told}, as its polls may lie anywhere in it; expected it in smaller files")
    except Changed:
        raise
    except InputError as error:
        _check_again(content)
        yield refusal(part.name, error.reason)
