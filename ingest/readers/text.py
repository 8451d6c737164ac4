"""The bytes of an export to clean UTF-8 lines, by a fixed ladder and without guessing."""

from __future__ import annotations

import codecs
import csv
from dataclasses import dataclass

from ingest.errors import InputError

MAX_LINE = 65_536
_LOOKED_AT = 2_000
_PACKED = (b"\x1f\x8b", b"PK\x03\x04", b"PK\x05\x06")
_WIDE = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True, slots=True)
class Text:
    """UTF-8 with line feeds only; the last line may be without one. `encoding` is what the bytes were."""

    data: bytes
    encoding: str
    notes: tuple[str, ...] = ()


def clean(data: bytes, *, name: str, encoding: str | None = None) -> Text:
    """Decode and bring all line ends to line feeds; InputError when it is no text that can be read.

    A declared `encoding` is taken at its word; without one a fixed ladder tells.
    """
    if not data:
        raise InputError(name, "the file is empty; expected a header line and rows")
    if data.startswith(_PACKED):
        raise InputError(name, "a packed file (zip or gzip), which this version does not open; expected plain text")
    data, found, note = _declared(data, encoding, name) if encoding is not None else _climb(data, name)
    at = data.find(b"\0")
    if at >= 0:
        line = data.count(b"\n", 0, at) + 1
        raise InputError(name, f"line {line} holds a zero byte; expected text (was the file cut off while written?)")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    _check_line_lengths(data, name)
    return Text(data, found, (note,) if note else ())


def split_line(line: str, delimiter: str) -> list[str] | None:
    """Cells of one line without the spaces around them; None when a quote is not closed."""
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        rows = list(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True))
    except csv.Error:
        return None
    return [cell.strip() for cell in rows[0]]


def _declared(data: bytes, encoding: str, name: str) -> tuple[bytes, str, str]:
    """Decode as declared. A character that the end of the file cuts in two is left out, as its line is unended."""
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        return decoder.decode(data).removeprefix("\ufeff").encode(), encoding, ""
    except UnicodeError as error:
        where = ""
        if isinstance(error, UnicodeDecodeError):
            where = f"; the first fault is byte 0x{error.object[error.start]:02X} at {error.start} of the file"
        raise InputError(name, f"is no {encoding} text, which text.encoding declares{where}") from None


def _climb(data: bytes, name: str) -> tuple[bytes, str, str]:
    """The ladder: byte order mark, zero bytes in every other place, UTF-8, Windows-1252."""
    if data.startswith(codecs.BOM_UTF8):
        data = data[len(codecs.BOM_UTF8) :]
    wide = "utf-16" if data.startswith(_WIDE) else _wide_without_mark(data)
    if wide is not None:
        try:
            return data[: len(data) // 2 * 2].decode(wide).encode(), wide, ""
        except UnicodeError:
            raise InputError(name, "starts as UTF-16 text but does not go on as such") from None
    if data.isascii():
        return data, "utf-8", ""
    try:
        data.decode()
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data":
            return data[: error.start], "utf-8", ""
    else:
        return data, "utf-8", ""
    try:
        return data.decode("cp1252").encode(), "cp1252", "read as Windows-1252 text, as it is no UTF-8"
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(name, f"line {line} is neither UTF-8 nor Windows-1252 text") from None


def _wide_without_mark(data: bytes) -> str | None:
    """UTF-16 by its zero bytes: most of the even or of the odd places at the start, and none of the others."""
    head = data[:_LOOKED_AT]
    zeros = head[::2].count(0), head[1::2].count(0)
    mostly = max(zeros) > 0.7 * (len(head) // 2) and len(head) >= 4
    if not mostly or min(zeros):
        return None
    return "utf-16-be" if zeros[0] else "utf-16-le"


def _check_line_lengths(data: bytes, name: str) -> None:
    """Hop from line end to line end in steps of the longest line allowed."""
    start = 0
    while len(data) - start > MAX_LINE:
        end = data.rfind(b"\n", start, start + MAX_LINE + 1)
        if end < 0:
            line = data.count(b"\n", 0, start) + 1
            raise InputError(name, f"line {line} is longer than {MAX_LINE} bytes; expected a table of text")
        start = end + 1
