"""The bytes of an export to clean UTF-8 lines, by a fixed ladder and without guessing."""

from __future__ import annotations

import codecs
import csv
from dataclasses import dataclass

from ingest.errors import InputError

MAX_LINE = 65_536
_PACKED = (b"\x1f\x8b", b"PK\x03\x04", b"PK\x05\x06")
_WIDE = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True, slots=True)
class Text:
    """UTF-8 with line feeds only; the last line may be without one."""

    data: bytes
    notes: tuple[str, ...] = ()


def clean(data: bytes, *, name: str) -> Text:
    """Decode and bring all line ends to line feeds; InputError when it is no text that can be read."""
    if not data:
        raise InputError(name, "the file is empty; expected a header line and rows")
    if data.startswith(_PACKED):
        raise InputError(name, "a packed file (zip or gzip), which this version does not open; expected plain text")
    data, note = _to_utf8(data, name)
    at = data.find(b"\0")
    if at >= 0:
        line = data.count(b"\n", 0, at) + 1
        raise InputError(name, f"line {line} holds a zero byte; expected text (was the file cut off while written?)")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    _check_line_lengths(data, name)
    return Text(data, (note,) if note else ())


def split_line(line: str, delimiter: str) -> list[str] | None:
    """Cells of one line without the spaces around them; None when a quote is not closed."""
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        rows = list(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True))
    except csv.Error:
        return None
    return [cell.strip() for cell in rows[0]]


def _to_utf8(data: bytes, name: str) -> tuple[bytes, str]:
    if data.startswith(codecs.BOM_UTF8):
        data = data[len(codecs.BOM_UTF8) :]
    if data.startswith(_WIDE):
        try:
            return data[: len(data) // 2 * 2].decode("utf-16").encode(), ""
        except UnicodeError:
            raise InputError(name, "starts as UTF-16 text but does not go on as such") from None
    if data.isascii():
        return data, ""
    try:
        data.decode()
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data":
            return data[: error.start], ""
    else:
        return data, ""
    try:
        return data.decode("cp1252").encode(), "read as Windows-1252 text, as it is no UTF-8"
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(name, f"line {line} is neither UTF-8 nor Windows-1252 text") from None


def _check_line_lengths(data: bytes, name: str) -> None:
    """Hop from line end to line end in steps of the longest line allowed."""
    start = 0
    while len(data) - start > MAX_LINE:
        end = data.rfind(b"\n", start, start + MAX_LINE + 1)
        if end < 0:
            line = data.count(b"\n", 0, start) + 1
            raise InputError(name, f"line {line} is longer than {MAX_LINE} bytes; expected a table of text")
        start = end + 1
