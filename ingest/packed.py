"""The texts in a file: the file itself, what a gzip file unpacks to, or the members of a zip archive.

Nothing is unpacked to a disk, names of members serve for messages only, and nothing is unpacked without a limit.
"""

from __future__ import annotations

import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO, Literal

from ingest.arrivals import CHUNK
from ingest.errors import InputError
from ingest.readers.rejects import shorten

Chunks = Callable[[], Iterator[bytes]]
Packing = Literal["plain", "gzip", "zip"]

MOST_MEMBERS = 20_000
_DIRECTORY_LIMIT = 4 << 20  # bytes of an archive's list of members
_ALWAYS_UNPACKED, _RATIO, _NEVER_UNPACKED = 64 << 20, 200, 8 << 30
_MAGIC: tuple[tuple[bytes, Packing], ...] = ((b"\x1f\x8b", "gzip"), (b"PK\x03\x04", "zip"), (b"PK\x05\x06", "zip"))
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_DOCUMENT = ("[Content_Types].xml", "mimetype")  # what the archives of office programs begin with
_ENCRYPTED = 0x1


@dataclass(frozen=True, slots=True)
class Part:
    """One text of a file, which `chunks` gives anew at each call; or why it is not read."""

    name: str
    chunks: Chunks
    fault: str = ""


def packing_of(head: bytes) -> Packing:
    """How a file is packed, by its first bytes."""
    return next((kind for magic, kind in _MAGIC if head.startswith(magic)), "plain")


def gzip_part(name: str, packed: Chunks, size: int) -> Part:
    """What a gzip file of `size` bytes unpacks to; it keeps the file's name."""
    return Part(name, lambda: _unnested(_gunzip(packed(), name, unpacked_limit(size)), name))


def zip_parts(name: str, stream: BinaryIO, size: int) -> list[Part]:
    """The members of an archive of `size` bytes in order of their names; InputError when it cannot be used at all."""
    try:
        archive = zipfile.ZipFile(_Guarded(stream))
        members = [m for m in archive.infolist() if not m.is_dir() and not _is_hidden(m.filename)]
    except InputError as error:
        raise InputError(name, error.reason) from None
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, struct.error) as error:
        raise InputError(name, f"a damaged or cut-off zip archive ({_why(error)}); expected a whole one") from None
    if any(m.filename in _DOCUMENT for m in members):
        raise InputError(name, "an office document and no table of text; expected it saved as CSV")
    if len(members) > MOST_MEMBERS:
        raise InputError(name, f"an archive of {len(members)} files; expected {MOST_MEMBERS} at most")
    total = sum(m.file_size for m in members)
    if total > unpacked_limit(size):
        raise InputError(name, _too_much(unpacked_limit(size)))
    if not members:
        raise InputError(name, "an archive without a file in it; expected tables of text")
    return [_member(archive, member, name) for member in sorted(members, key=lambda m: m.filename)]


def unpacked_limit(size: int) -> int:
    """How many bytes a packed file may unpack to: real exports stay far below."""
    return min(max(_ALWAYS_UNPACKED, _RATIO * size), _NEVER_UNPACKED)


def _member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, name: str) -> Part:
    shown = f"{name}/{shorten(member.filename)}"
    return Part(shown, lambda: _unnested(_unzip(archive, member, shown), shown), _fault(member))


def _fault(member: zipfile.ZipInfo) -> str:
    path = member.filename.replace("\\", "/")
    if path.startswith("/") or path[1:2] == ":" or ".." in path.split("/"):
        return "its name leads out of the archive; expected a plain name"
    if not path.isprintable():
        return "its name holds control characters; expected plain text"
    if stat.S_IFMT(member.external_attr >> 16) not in (0, stat.S_IFREG):
        return "a link or a special file in an archive; expected a plain file"
    if member.flag_bits & _ENCRYPTED:
        return "an encrypted file of an archive, which cannot be read; expected it without a password"
    if member.compress_type not in _METHODS:
        return f"packed by a method that is not read ({member.compress_type}); expected a common zip archive"
    return ""


def _is_hidden(name: str) -> bool:
    return any(part.startswith(".") and part not in (".", "..") for part in name.replace("\\", "/").split("/"))


def _unzip(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> Iterator[bytes]:
    size = 0
    try:
        with archive.open(member) as stream:
            while chunk := stream.read(CHUNK):
                size += len(chunk)
                yield chunk
    except InputError as error:
        raise InputError(shown, error.reason) from None
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, RuntimeError) as error:
        raise InputError(shown, f"damaged within its archive ({_why(error)}); nothing of it is taken") from None
    if size != member.file_size:
        told = f"the archive promises {member.file_size} bytes of it and holds {size}"
        raise InputError(shown, f"damaged within its archive ({told}); nothing of it is taken")


def _gunzip(packed: Iterator[bytes], name: str, limit: int) -> Iterator[bytes]:
    """Unpack one gzip stream after the other; InputError for a damaged one, a cut one, or a tail that is none."""
    unpacker, size, rest = zlib.decompressobj(wbits=31), 0, b""
    for data in packed:
        rest += data
        while rest:
            if unpacker.eof:  # padding may follow, or a further stream
                rest = rest.lstrip(b"\0")
                unpacker = zlib.decompressobj(wbits=31) if rest else unpacker
                continue
            try:
                chunk = unpacker.decompress(rest, CHUNK)
            except zlib.error as error:
                raise InputError(name, f"a damaged gzip file ({_why(error)}); nothing of it is taken") from None
            rest = unpacker.unused_data if unpacker.eof else unpacker.unconsumed_tail
            size += len(chunk)
            if size > limit:
                raise InputError(name, _too_much(limit))
            if chunk:
                yield chunk
    if not unpacker.eof:
        raise InputError(name, "a gzip file that was cut off; nothing of it is taken")


def _unnested(chunks: Iterator[bytes], name: str) -> Iterator[bytes]:
    first = next(chunks, b"")
    if packing_of(first) != "plain" or first[257:262] == b"ustar":
        raise InputError(name, "an archive within an archive, which is not opened; expected a table of text")
    yield first
    yield from chunks


class _Guarded:
    """A file of which no more than a list of members is read at once, whatever an archive says of its own size."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.seek, self.tell = stream.seek, stream.tell

    def read(self, size: int = -1) -> bytes:
        """As of any file; InputError for more than the limit."""
        wanted = _DIRECTORY_LIMIT + 1 if size < 0 else size
        if size > _DIRECTORY_LIMIT:
            raise InputError("", f"an archive of too many files; expected {MOST_MEMBERS} at most")
        data = self._stream.read(wanted)
        if len(data) > _DIRECTORY_LIMIT:
            raise InputError("", f"an archive of too many files; expected {MOST_MEMBERS} at most")
        return data

    def seekable(self) -> bool:
        """It is a file."""
        return True


def _why(error: Exception) -> str:
    return shorten(str(error)) or type(error).__name__


def _too_much(limit: int) -> str:
    return f"unpacks to more than {limit >> 20} MB, which no export of its size does; nothing of it is taken"
