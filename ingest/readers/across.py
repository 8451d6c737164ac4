"""Tables with a row a day: the columns whose header is a clock time, and their cells as readings."""

from __future__ import annotations

import numpy as np

from ingest.readers.assemble import Series
from ingest.readers.header import Header
from ingest.readers.rejects import Rejects
from ingest.readers.sheet import Sheet
from ingest.readers.times import Stamps, expected_form, read_civil, read_clock
from ingest.readings import Channel, Seconds
from ingest.sources import AcrossSpec, TableTime
from ingest.timeline import to_utc, zone_of

_DAY = 86_400


def clock_columns(header: Header, across: AcrossSpec) -> dict[str, tuple[int, int]]:
    """Place and clock time [s] of every column whose header reads as one, by a name that stands once.

    A midnight in the last of them is the day's end.
    """
    found = [(place, read_clock(name, across.header)) for place, name in enumerate(header.names)]
    clocks = [(place, clock) for place, clock in found if clock is not None]
    if len(clocks) > 1 and clocks[-1][1] == 0:
        clocks[-1] = (clocks[-1][0], _DAY)
    columns: dict[str, tuple[int, int]] = {}
    for place, clock in clocks:
        name = header.names[place]
        columns[name if name not in columns else f"{name} (column {place + 1})"] = (place, clock)
    return columns


def dates_of(time: TableTime) -> TableTime:
    """How the date of a row reads."""
    return time if time.format is not None else time.model_copy(update={"format": "%Y-%m-%d"})


def read_across(
    sheet: Sheet, time: TableTime, across: AcrossSpec, clocks: dict[str, int], rejects: Rejects, *, interval_s: int
) -> tuple[list[Series], Stamps]:
    """The readings of all days in the order of rows and columns; what stands at no time is set aside.

    The end of an interval is brought to UTC by its beginning: a column is an interval of the day, and the label of its
    end may be a time that the clock skips.
    """
    days, _, bad = read_civil(sheet.times, dates_of(time))
    for row in np.flatnonzero(bad).tolist():
        text = sheet.times[row].as_py()
        rejects.add(sheet.line(row), time.column, text, f"not a date; expected {expected_form(dates_of(time))}")
    names = list(sheet.numbers)
    cells = np.stack([sheet.numbers[name] for name in names], axis=1)
    rows, columns = np.nonzero(~np.isnan(cells) & ~bad[:, None])
    values = cells[rows, columns]
    shift = interval_s if time.marks == "end" else 0
    local: Seconds = days[rows] + np.array([clocks[name] for name in names], np.int64)[columns] - shift
    register = (values,) if across.reads == "counter" else ()
    civil = to_utc(local, zone_of(time.zone), interval_s=interval_s, registers=register)
    for cell in np.flatnonzero(civil.missing & (values != 0.0)).tolist():
        name, row = names[columns[cell]], int(rows[cell])
        why = f"does not exist on this day in {time.zone}: the clocks went forward over it; expected 0 or nothing"
        rejects.add(sheet.line(row), name, f"{values[cell]:.15g}", why)
    there = ~civil.missing
    channel = Channel(across.of, across.quantity, across.reads, across.unit)
    series = Series(channel, civil.utc[there] + shift, values[there])
    return [series], Stamps(civil.utc, {}, int(np.count_nonzero(civil.unsure)))


def no_clock(header: Header, across: AcrossSpec) -> str:
    """What to say of a header without a clock time."""
    return f"no column reads as a clock time of the form {across.header}; the file has {header.shown()}"
