"""Reads delimited text: wide tables (a column a channel), long ones (a row a reading), and those with a row a day."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from ingest.errors import InputError
from ingest.readers.across import clock_columns, dates_of, no_clock, read_across
from ingest.readers.assemble import Repeats, Series, assemble
from ingest.readers.body import careful_look, quick_look
from ingest.readers.header import Header, find_header, place_columns
from ingest.readers.rejects import Rejects
from ingest.readers.sheet import Sheet, Wanted
from ingest.readers.steps import step_notes
from ingest.readers.text import Text, clean
from ingest.readers.times import Stamps, read_times
from ingest.readings import Channel, Dialect, ReadResult, Reject, Table
from ingest.sources import LongSpec, TableSource, TimeSpec

Codes = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Opened:
    """A text whose header is found; `wanted` is None when none of its columns is of use."""

    header: Header
    wanted: Wanted | None
    dialect: Dialect  # its decimal mark only as far as it is declared


def read_table(data: bytes, *, name: str, source: TableSource) -> ReadResult:
    """Read one file; whatever cannot be read comes back as a reject, never as an exception."""
    rejects = Rejects(name)
    try:
        text = clean(data, name=name, encoding=source.text.encoding)
        opened = open_table(text, name=name, source=source, rejects=rejects)
    except InputError as error:
        return ReadResult((), (Reject(name, None, "", "", error.reason),), 0)
    header, wanted = opened.header, opened.wanted
    if wanted is None:
        return ReadResult((), rejects.result(), 0, text.notes, opened.dialect)
    sheet = quick_look(text.data, header, wanted)
    read = _read_sheet(sheet, source, header, Rejects(name)) if sheet is not None else None
    if sheet is None or read is None or read.rejects:
        sheet = careful_look(text.data, header, wanted, rejects)
        read = _read_sheet(sheet, source, header, rejects)
    rows = len(sheet) + sheet.lost
    notes = text.notes + read.notes + sheet.notes + (() if rows else (header.nothing_below,))
    dialect = replace(opened.dialect, decimal=sheet.mark)
    return ReadResult(read.tables, rejects.result(), rows, notes, dialect, read.repeats.conflicts)


def open_table(text: Text, *, name: str, source: TableSource, rejects: Rejects) -> Opened:
    """Find the header and what is of use below it; InputError when there is no header."""
    header = find_header(
        text.data,
        name=name,
        time=source.time.column,
        columns=_column_names(source),
        delimiter=source.text.delimiter,
        more=lambda header: len(_clocks(header, source)),
    )
    found = Dialect(text.encoding, header.delimiter, source.text.decimal or ".", header.line, header.names)
    return Opened(header, _wanted(source, header, rejects), found)


def module_subject(pattern: str) -> re.Pattern[str]:
    """The pattern of a long table's subject cells, such as `{string}-{module}`, as a regular expression."""
    parts = {"{string}": r"(?P<string>[A-Za-z0-9_.-]+)", "{module}": r"0*(?P<module>[1-9][0-9]{0,2})"}
    pieces = re.split(r"(\{string\}|\{module\})", pattern)
    return re.compile("".join(parts.get(piece, re.escape(piece)) for piece in pieces))


@dataclass(frozen=True, slots=True)
class _Read:
    """What the rows of a sheet say."""

    tables: tuple[Table, ...]
    repeats: Repeats
    notes: tuple[str, ...]
    rejects: Rejects


def _column_names(source: TableSource) -> Sequence[str]:
    clock = (source.time.clock_column,) if source.time.clock_column is not None else ()
    if source.long is not None:
        return (*clock, source.long.subject, source.long.value)
    return (*clock, *(column.column for column in source.columns))


def _clocks(header: Header, source: TableSource) -> dict[str, tuple[int, int]]:
    return clock_columns(header, source.across) if source.across is not None else {}


def _wanted(source: TableSource, header: Header, rejects: Rejects) -> Wanted | None:
    """What can be read of a file with this header; None when that is nothing."""
    time = source.time
    places = place_columns(header, time=time.column, columns=_column_names(source), rejects=rejects)
    if time.column not in places or (time.clock_column is not None and time.clock_column not in places):
        return None
    clock = places.pop(time.clock_column) if time.clock_column is not None else None
    when = places.pop(time.column)
    texts: dict[str, int] = {}
    spec: TimeSpec = time
    if source.across is not None:
        spec = dates_of(time)
        places = {name: place for name, (place, _) in _clocks(header, source).items()}
        if not places:
            rejects.add(header.line, "", header.shown(), no_clock(header, source.across))
    elif source.long is not None:
        if len(places) < 2:
            return None
        texts = {source.long.subject: places.pop(source.long.subject)}
    return Wanted(spec, when, texts, places, clock, source.text) if places else None


def _read_sheet(sheet: Sheet, source: TableSource, header: Header, rejects: Rejects) -> _Read:
    interval_s = source.interval_minutes * 60
    if source.across is not None:
        clocks = {name: clock for name, (_, clock) in _clocks(header, source).items()}
        series, stamps = read_across(sheet, source.time, source.across, clocks, rejects, interval_s=interval_s)
    else:
        series, stamps = _read_rows(sheet, source, rejects, interval_s=interval_s)
    tables, repeats = assemble(series, source.time.marks, interval_s)
    return _Read(tables, repeats, stamps.notes() + repeats.note() + step_notes(series, interval_s), rejects)


def _read_rows(sheet: Sheet, source: TableSource, rejects: Rejects, *, interval_s: int) -> tuple[list[Series], Stamps]:
    """The readings of a wide or a long table."""
    codes, subjects = _subjects(sheet, source.long) if source.long is not None else (None, [])
    registers = [sheet.numbers[name] for name in rising_columns(source) if name in sheet.numbers]
    stamps = read_times(sheet.times, source.time, interval_s=interval_s, groups=codes, registers=registers)
    for row, why in stamps.why.items():
        rejects.add(sheet.line(row), source.time.column, sheet.times[row].as_py().strip(), why)
    if source.long is not None and codes is not None:
        return _long_series(sheet, source.long, stamps, codes, subjects, rejects), stamps
    return wide_series(sheet, source, stamps), stamps


def rising_columns(source: TableSource) -> list[str]:
    """Columns that only rise, and so tell which of two rows was written first."""
    if source.long is not None:
        return [source.long.value] if source.long.reads == "counter" else []
    return [column.column for column in source.columns if column.reads == "counter"]


def wide_series(sheet: Sheet, source: TableSource, stamps: Stamps) -> list[Series]:
    """Every column's readings, at the times that could be read."""
    good = stamps.good()
    times = stamps.utc if good is None else stamps.utc[good]
    return [
        Series(
            Channel(column.of, column.quantity, column.reads, column.unit),
            times,
            sheet.numbers[column.column] if good is None else sheet.numbers[column.column][good],
        )
        for column in source.columns
        if column.column in sheet.numbers
    ]


def _subjects(sheet: Sheet, long: LongSpec) -> tuple[Codes, list[str]]:
    """Number of each row's subject, and the subjects' texts by that number."""
    encoded = pc.utf8_trim_whitespace(sheet.texts[long.subject]).dictionary_encode()
    return encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64), encoded.dictionary.to_pylist()


def _long_series(
    sheet: Sheet, long: LongSpec, stamps: Stamps, codes: Codes, subjects: list[str], rejects: Rejects
) -> list[Series]:
    pattern, values, series = module_subject(long.pattern), sheet.numbers[long.value], []
    good = stamps.good()
    for code, text in enumerate(subjects):
        match = pattern.fullmatch(text)
        rows = np.flatnonzero(codes == code)
        if match is None:
            for row in rows.tolist():
                rejects.add(sheet.line(row), long.subject, text, f"no module; expected the form {long.pattern}")
            continue
        rows = rows if good is None else rows[good[rows]]
        subject = f"module:{match['string']}/{int(match['module']):02d}"
        series.append(Series(Channel(subject, long.quantity, long.reads, long.unit), stamps.utc[rows], values[rows]))
    return series
