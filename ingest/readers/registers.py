"""Reads register dumps: one register a row, put together by a map of points or by the device's SunSpec models."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from ingest.errors import InputError
from ingest.readers.assemble import assemble
from ingest.readers.body import careful_look, quick_look
from ingest.readers.devices import mapped_series, sunspec_series
from ingest.readers.header import Header, find_header, place_columns
from ingest.readers.rejects import Rejects
from ingest.readers.sheet import Sheet, Wanted
from ingest.readers.text import clean
from ingest.readers.times import read_times
from ingest.readings import Dialect, ReadResult, Reject, Seconds
from ingest.registers.polls import group_polls
from ingest.registers.snapshots import Repeats, Rows, Snapshots, snapshots
from ingest.registers.words import Numbers
from ingest.sources import RegisterSource

_REGISTERS = 65_536


@dataclass(frozen=True, slots=True)
class _Dump:
    """The rows that could be read: unit, time, register, word, and the line of the file."""

    units: Numbers
    times: Seconds
    addresses: Numbers
    words: Numbers
    lines: Numbers
    notes: tuple[str, ...]


def read_registers(data: bytes, *, name: str, source: RegisterSource) -> ReadResult:
    """Read one dump; what cannot be read comes back as rejects."""
    rejects = Rejects(name)
    columns = source.registers
    needed = (columns.unit_id, columns.address, columns.word)
    try:
        text = clean(data, name=name)
        header = find_header(text.data, name=name, time=source.time.column, columns=needed)
    except InputError as error:
        return ReadResult((), (Reject(name, None, "", "", error.reason),), 0)
    dialect = Dialect(text.encoding, header.delimiter, ".", header.line, header.names)
    places = place_columns(header, time=source.time.column, columns=needed, rejects=rejects)
    if len(places) <= len(needed):
        return ReadResult((), rejects.result(), 0, text.notes, dialect)
    wanted = Wanted(source.time, places[source.time.column], {column: places[column] for column in needed}, {})
    sheet, dump = _look(text.data, header, wanted, source, rejects)
    rows = len(sheet) + sheet.lost
    notes = text.notes + sheet.notes
    if not rows:
        return ReadResult((), rejects.result(), 0, (*notes, header.nothing_below), dialect)
    units, repeats = _by_unit(dump, columns.tolerance_s)
    read = sunspec_series if source.model is not None else mapped_series
    series, told = read(units, source, rejects)
    tables, _ = assemble(series, source.time.marks, source.interval_minutes * 60)
    notes += (*dump.notes, *_repeats_note(repeats), *told)
    return ReadResult(tables, rejects.result(), rows, notes, dialect, repeats.differing)


def _look(data: bytes, header: Header, wanted: Wanted, source: RegisterSource, rejects: Rejects) -> tuple[Sheet, _Dump]:
    """The rows, at a quick look where each is sound, else line by line."""
    sheet, doubts = quick_look(data, header, wanted), Rejects("")
    if sheet is not None:
        lines = header.line + 1 + np.arange(len(sheet), dtype=np.int64)  # a quick look takes only a row a line
        dump = _rows_of(sheet, lines, source, doubts)
        if not doubts:
            return sheet, dump
    sheet = careful_look(data, header, wanted, rejects)
    lines = sheet.lines if sheet.lines is not None else np.zeros(len(sheet), np.int64)
    return sheet, _rows_of(sheet, lines, source, rejects)


def _rows_of(sheet: Sheet, lines: Numbers, source: RegisterSource, rejects: Rejects) -> _Dump:
    """Unit, register and word of each row; rows that cannot be read are set aside."""
    columns = source.registers
    unit, unit_ok = _whole(sheet, lines, columns.unit_id, 255, rejects)
    address, address_ok = _whole(sheet, lines, columns.address, _REGISTERS - 1, rejects)
    word, word_ok = _whole(sheet, lines, columns.word, 65_535, rejects)
    key = unit * _REGISTERS + address
    stamps = read_times(sheet.times, source.time, interval_s=source.interval_minutes * 60, groups=key)
    for row, why in stamps.why.items():
        rejects.add(int(lines[row]), source.time.column, sheet.times[row].as_py(), why)
    good, timed = unit_ok & address_ok & word_ok, stamps.good()
    rows = np.flatnonzero(good if timed is None else good & timed)
    return _Dump(unit[rows], stamps.utc[rows], address[rows], word[rows], lines[rows], stamps.notes())


def _whole(
    sheet: Sheet, lines: Numbers, column: str, largest: int, rejects: Rejects
) -> tuple[Numbers, npt.NDArray[np.bool_]]:
    """A column of whole numbers, decimal or 0x hex, and which of its cells could be read."""
    encoded = pc.utf8_trim_whitespace(sheet.texts[column]).dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    codes = encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64)
    numbers = np.array([-1 if (n := _whole_number(t, largest)) is None else n for t in texts] or [0], np.int64)[codes]
    ok = numbers >= 0
    for row in np.flatnonzero(~ok).tolist():
        reason = f"expected a whole number from 0 to {largest}, decimal or 0x hex"
        rejects.add(int(lines[row]), column, texts[codes[row]], reason)
    return np.maximum(numbers, 0), ok


def _whole_number(text: str, largest: int) -> int | None:
    hexadecimal = text[:2].lower() == "0x"
    digits = text[2:] if hexadecimal else text
    if not digits.isascii() or not digits.isalnum() or len(digits) > 20:
        return None
    try:
        number = int(digits, 16 if hexadecimal else 10)
    except ValueError:
        return None
    return number if number <= largest else None


def _by_unit(dump: _Dump, tolerance_s: int) -> tuple[dict[int, Snapshots], Repeats]:
    """The polls of every unit, and how many rows repeat a register of a poll."""
    polls = group_polls(dump.units, dump.times, dump.addresses, tolerance_s=tolerance_s)
    units: dict[int, Snapshots] = {}
    rows = differing = 0
    for unit in np.unique(polls.units).tolist():
        first, end = np.searchsorted(polls.units, [unit, unit + 1])
        mine = np.flatnonzero(dump.units == unit)
        own = Rows(polls.of_row[mine] - first, dump.addresses[mine], dump.words[mine], dump.lines[mine])
        units[unit], repeats = snapshots(unit, polls.times[first:end], own)
        rows, differing = rows + repeats.rows, differing + repeats.differing
    return units, Repeats(rows, differing)


def _repeats_note(repeats: Repeats) -> tuple[str, ...]:
    told = f"{repeats.rows} rows repeat a register at a time; {repeats.differing} differ, the later row was taken"
    return (told,) if repeats.rows else ()
