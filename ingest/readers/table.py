"""Reads delimited text: wide tables (a column a channel) and long ones (a row a reading)."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from ingest.errors import InputError
from ingest.readers.assemble import Series, assemble
from ingest.readers.body import Sheet, Wanted, careful_look, quick_look
from ingest.readers.header import Header, find_header, place_columns
from ingest.readers.rejects import Rejects
from ingest.readers.text import clean
from ingest.readers.times import Stamps, read_times
from ingest.readings import Channel, ReadResult, Reject, Table
from ingest.sources import LongSpec, TableSource

Codes = npt.NDArray[np.int64]


def read_table(data: bytes, *, name: str, source: TableSource) -> ReadResult:
    """Read one file; whatever cannot be read comes back as a reject, never as an exception."""
    rejects = Rejects(name)
    try:
        text = clean(data, name=name)
        header = find_header(text.data, name=name, time=source.time.column, columns=_column_names(source))
    except InputError as error:
        return ReadResult((), (Reject(name, None, "", "", error.reason),), 0)
    places = place_columns(header, time=source.time.column, columns=_column_names(source), rejects=rejects)
    wanted = _wanted(source, places)
    if wanted is None:
        return ReadResult((), rejects.result(), 0, text.notes)
    sheet = quick_look(text.data, header, wanted)
    if sheet is not None:
        doubts = Rejects(name)
        tables, notes = _tables(sheet, source, doubts)
        if not doubts:
            return _result(tables, rejects, sheet, header, text.notes + notes)
    sheet = careful_look(text.data, header, wanted, rejects)
    tables, notes = _tables(sheet, source, rejects)
    return _result(tables, rejects, sheet, header, text.notes + notes)


def module_subject(pattern: str) -> re.Pattern[str]:
    """The pattern of a long table's subject cells, such as `{string}-{module}`, as a regular expression."""
    parts = {"{string}": r"(?P<string>[A-Za-z0-9_.-]+)", "{module}": r"0*(?P<module>[1-9][0-9]{0,2})"}
    pieces = re.split(r"(\{string\}|\{module\})", pattern)
    return re.compile("".join(parts.get(piece, re.escape(piece)) for piece in pieces))


def _result(
    tables: tuple[Table, ...], rejects: Rejects, sheet: Sheet, header: Header, notes: tuple[str, ...]
) -> ReadResult:
    rows = len(sheet) + sheet.lost
    notes += sheet.notes if rows else (*sheet.notes, header.nothing_below)
    return ReadResult(tables, rejects.result(), rows, notes)


def _column_names(source: TableSource) -> Sequence[str]:
    if source.long is not None:
        return (source.long.subject, source.long.value)
    return tuple(column.column for column in source.columns)


def _wanted(source: TableSource, places: dict[str, int]) -> Wanted | None:
    """What can be read of a file with these columns; None when that is nothing."""
    others = {name: place for name, place in places.items() if name != source.time.column}
    if source.time.column not in places or not others:
        return None
    if source.long is None:
        return Wanted(source.time, places[source.time.column], {}, others)
    if len(others) < 2:
        return None
    subject, value = source.long.subject, source.long.value
    return Wanted(source.time, places[source.time.column], {subject: places[subject]}, {value: places[value]})


def _tables(sheet: Sheet, source: TableSource, rejects: Rejects) -> tuple[tuple[Table, ...], tuple[str, ...]]:
    interval_s = source.interval_minutes * 60
    codes, subjects = _subjects(sheet, source.long) if source.long is not None else (None, [])
    stamps = read_times(sheet.times, source.time, interval_s=interval_s, groups=codes)
    for row, why in stamps.why.items():
        rejects.add(_line(sheet, row), source.time.column, sheet.times[row].as_py(), why)
    if source.long is not None and codes is not None:
        series = _long_series(sheet, source.long, stamps, codes, subjects, rejects)
    else:
        series = _wide_series(sheet, source, stamps)
    tables, repeats = assemble(series, source.time.marks, interval_s)
    return tables, stamps.notes() + repeats.note()


def _wide_series(sheet: Sheet, source: TableSource, stamps: Stamps) -> list[Series]:
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
                rejects.add(_line(sheet, row), long.subject, text, f"no module; expected the form {long.pattern}")
            continue
        rows = rows if good is None else rows[good[rows]]
        subject = f"module:{match['string']}/{int(match['module']):02d}"
        series.append(Series(Channel(subject, long.quantity, long.reads, long.unit), stamps.utc[rows], values[rows]))
    return series


def _line(sheet: Sheet, row: int) -> int | None:
    return int(sheet.lines[row]) if sheet.lines is not None else None
