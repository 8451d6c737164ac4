"""How the bytes of a text of any size are to be decoded, and that it is one throughout: one look from end to end."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

from ingest.errors import InputError
from ingest.readers.text import MAX_LINE, clean

_NOT_WINDOWS_1252 = (b"\x81", b"\x8d", b"\x8f", b"\x90", b"\x9d")


@dataclass(frozen=True, slots=True)
class Script:
    """The encoding of a text, and what a person should know of it."""

    encoding: str
    notes: tuple[str, ...] = ()

    def lines(self, chunks: Iterator[bytes]) -> Iterator[bytes]:
        """The text as UTF-8 with line feeds only."""
        return _plain_lines(chunks, None if self.encoding == "utf-8" else self.encoding)


def find_script(chunks: Iterator[bytes], *, name: str, declared: str | None = None) -> Script:
    """Look through all of a text; InputError for a line too long, a zero byte, or bytes that are no text."""
    first = next(chunks)
    start = clean(first, name=name, encoding=declared)  # the ladder of small files, on the first megabyte
    is_open = declared is None and start.encoding in ("utf-8", "cp1252")
    check = _Check(name)
    try:
        # Both encodings that are still open have the line ends of ASCII, so that the bytes themselves can be looked at.
        for data in _plain_lines(chain([first], chunks), None if is_open else start.encoding):
            check.take_lines(data)
            if is_open:
                check.take_letters(data)
    except UnicodeError:
        raise InputError(name, f"starts as {start.encoding} text but does not go on as such") from None
    if not is_open:
        return Script(start.encoding, start.notes)
    return Script("utf-8") if check.is_utf8 else check.as_windows()


class _Check:
    """What is found on the way through a text."""

    def __init__(self, name: str) -> None:
        self._name, self.is_utf8 = name, True
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._lines = self._carried = 0  # complete lines so far, and bytes of the line that is not
        self._strange_line = 0

    def take_lines(self, data: bytes) -> None:
        """Look for what no text has."""
        self._refuse(data, data.find(b"\0"), "holds a zero byte; expected text (was the file cut off while written?)")
        self._refuse(data, self._long_line(data), f"is longer than {MAX_LINE} bytes; expected a table of text")
        last = data.rfind(b"\n")
        self._carried = len(data) - last - 1 if last >= 0 else self._carried + len(data)
        self._lines += data.count(b"\n")

    def take_letters(self, data: bytes) -> None:
        """Look whether what is beyond ASCII is UTF-8, or Windows-1252."""
        if data.isascii() and not self._decoder.getstate()[0]:
            return
        strange = [at for at in map(data.find, _NOT_WINDOWS_1252) if at >= 0]
        if strange and not self._strange_line:
            self._strange_line = self._lines - data.count(b"\n", min(strange)) + 1
        try:
            self._decoder.decode(data)
        except UnicodeDecodeError:
            self.is_utf8 = False
            self._decoder.reset()

    def as_windows(self) -> Script:
        """For a text that is no UTF-8; InputError when it is no Windows-1252 either."""
        if self._strange_line:
            raise InputError(self._name, f"line {self._strange_line} is neither UTF-8 nor Windows-1252 text")
        return Script("cp1252", ("read as Windows-1252 text, as it is no UTF-8",))

    def _refuse(self, data: bytes, at: int, why: str) -> None:
        if at >= 0:
            line = self._lines + data.count(b"\n", 0, at) + 1
            raise InputError(self._name, f"line {line} {why}")

    def _long_line(self, data: bytes) -> int:
        """Where a line stands that is too long, -1 for none; hops from line end to line end."""
        at, room = 0, MAX_LINE - self._carried
        while len(data) - at > room:
            end = data.rfind(b"\n", at, at + max(room, 0) + 1)
            if end < 0:
                return at
            at, room = end + 1, MAX_LINE
        return -1


def _plain_lines(chunks: Iterator[bytes], encoding: str | None) -> Iterator[bytes]:
    """UTF-8 with line feeds only; without an encoding the bytes are left as they are, but for a byte order mark.

    A character that the end of the text cuts in two is left out, as its line is unended.
    """
    decoder = codecs.getincrementaldecoder(encoding)() if encoding is not None else None
    mark, held = codecs.BOM_UTF8, b""
    for chunk in chunks:
        data = held + (chunk if decoder is None else decoder.decode(chunk).encode())
        if data:
            data, mark = data.removeprefix(mark), b""
        held = b"\r" if data.endswith(b"\r") else b""  # a line feed may follow
        data = data.removesuffix(held)
        if b"\r" in data:
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if data:
            yield data
    if held:
        yield b"\n"
