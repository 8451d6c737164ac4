"""Reads many small files of one layout in one go: most of a small file's cost is that it is a file of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from ingest.errors import InputError
from ingest.readers.assemble import Series, assemble
from ingest.readers.body import quick_look
from ingest.readers.rejects import Rejects
from ingest.readers.steps import step_notes
from ingest.readers.table import Opened, open_table, rising_columns, wide_series
from ingest.readers.text import Text, clean
from ingest.readers.times import read_times
from ingest.readings import Dialect, ReadResult
from ingest.sources import TableSource


def read_alike(files: Sequence[tuple[str, bytes]], source: TableSource) -> list[ReadResult] | None:
    """Read files that begin with the same lines, as `read_table` would each of them.

    None when any of them is in any way out of the ordinary: then each is to be read alone.
    """
    if source.long is not None or source.across is not None or len(files) < 2:
        return None
    try:
        texts = [clean(data, name=name, encoding=source.text.encoding) for name, data in files]
        rejects = Rejects(files[0][0])
        opened = open_table(texts[0], name=files[0][0], source=source, rejects=rejects)
    except InputError:
        return None
    head = texts[0].data[: opened.header.body]
    if opened.wanted is None or rejects or not all(_is_alike(text, texts[0], head) for text in texts):
        return None
    return _read_joined([text.data for text in texts], opened, source)


def _is_alike(text: Text, first: Text, head: bytes) -> bool:
    whole = text.data.startswith(head) and text.data.endswith(b"\n") and len(text.data) > len(head)
    return whole and text.encoding == first.encoding and not text.notes


def _read_joined(files: Sequence[bytes], opened: Opened, source: TableSource) -> list[ReadResult] | None:
    assert opened.wanted is not None
    begin = opened.header.body
    joined = files[0][:begin] + b"".join(memoryview(data)[begin:] for data in files)
    sheet = quick_look(joined, opened.header, opened.wanted)
    # A comma's meaning is each file's own to prove.
    if sheet is None or sheet.notes or (sheet.mark != "." and source.text.decimal is None):
        return None
    counts = [data.count(b"\n", begin) for data in files]
    interval_s = source.interval_minutes * 60
    registers = [sheet.numbers[name] for name in rising_columns(source)]
    codes = np.repeat(np.arange(len(files), dtype=np.int64), counts)
    stamps = read_times(sheet.times, source.time, interval_s=interval_s, groups=codes, registers=registers)
    if stamps.why or stamps.notes():
        return None
    series = wide_series(sheet, source, stamps)
    dialect = replace(opened.dialect, decimal=sheet.mark)
    bounds = np.concatenate([[0], np.cumsum(counts)]).tolist()
    return [_one_file(series, slice(*rows), source, dialect) for rows in pairwise(bounds)]


def _one_file(series: Sequence[Series], rows: slice, source: TableSource, dialect: Dialect) -> ReadResult:
    times = series[0].times[rows]  # all columns share them
    own = [Series(one.channel, times, one.values[rows]) for one in series]
    interval_s = source.interval_minutes * 60
    tables, repeats = assemble(own, source.time.marks, interval_s)
    notes = repeats.note() + step_notes(own, interval_s)
    return ReadResult(tables, (), times.size, notes, dialect, repeats.conflicts)
