"""The rows of a sheet with their times: what every shape of table needs of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ingest.draft.clock import Clock
from ingest.draft.figures import Figures, read_columns
from ingest.draft.proposal import Roof, TimeDraft, Told
from ingest.draft.sheet import Sheet, numeric_share
from ingest.draft.writing import OPEN, comment, text
from ingest.draft.zones import find_marks, find_zone, to_zone
from ingest.readers.numbers import Notation
from ingest.readings import Seconds, Values
from ingest.timeline import zone_of

_NUMERIC = 0.9
_NIGHT_DEG, _DAY_DEG = -3.0, 10.0


@dataclass(frozen=True, slots=True)
class Question:
    """What a draft is asked for: the file, the roof if it is known, and the present."""

    name: str  # the path in the fleet folder, or the file's name
    inside: bool  # whether it lies in the fleet folder
    roof: Roof | None
    latest: int  # no time lies after it [UTC epoch seconds]


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows with a time, in order of it."""

    sheet: Sheet
    naive: Seconds  # in the order of the file
    rows: npt.NDArray[np.intp]  # places of the rows with a time, in the order of the file
    values: Mapping[str, Values]  # number columns, all rows
    notation: Notation


def read_rows(sheet: Sheet, clock: Clock) -> Rows:
    form = clock.forms[0]
    rows = np.flatnonzero(form.times >= 0)
    names = [
        name
        for name, column in zip(sheet.names, sheet.columns, strict=True)
        if name not in (form.column, form.clock_column) and name not in clock.others and _is_numeric(column)
    ]
    columns = [sheet.columns[sheet.names.index(name)] for name in names]
    values, notation = read_columns(columns)
    return Rows(sheet, form.times[rows], rows, dict(zip(names, values, strict=True)), notation)


def _is_numeric(column: Sequence[str]) -> bool:
    return numeric_share(column) >= _NUMERIC


def time_of(
    table: Rows, clock: Clock, question: Question, naive: Seconds, light: Values | None
) -> tuple[TimeDraft, Told, Seconds]:
    """The time's keys, the interval, and the times in UTC as far as the zone is known."""
    form = clock.forms[0]
    interval = _interval(naive)
    zone = find_zone(form.column, naive, aware=form.aware, light=light, roof=question.roof)
    time = TimeDraft(
        form.column, form.clock_column, tuple(f.format for f in clock.forms), clock.why, zone, Told("start", "")
    )
    utc = as_utc(naive, time, interval)
    marks = marks_of(clock, naive, utc, question, interval, only_counters=False)
    return replace(time, marks=marks), interval, utc


def as_utc(naive: Seconds, time: TimeDraft, interval: Told) -> Seconds:
    return to_zone(naive, time.zone.value or "UTC", interval_s=(interval.value or 1) * 60)


def marks_of(
    clock: Clock, naive: Seconds, utc: Seconds, question: Question, interval: Told, *, only_counters: bool
) -> Told:
    zone = zone_of(question.roof.zone if question.roof is not None else "UTC")
    seconds = (interval.value or 1) * 60
    return find_marks(clock.forms[0].column, naive, utc, zone=zone, interval_s=seconds, only_counters=only_counters)


def _interval(naive: Seconds) -> Told:
    """The commonest step between rows."""
    steps = np.diff(np.unique(naive))
    if not steps.size:
        return Told(None, "one time only: how far apart are rows?", "open")
    lengths, counts = np.unique(steps, return_counts=True)
    step, share = int(lengths[np.argmax(counts)]), int(counts.max())
    told = f"{share} of {steps.size} steps"
    if step % 60 or not 60 <= step <= 86_400:
        return Told(None, f"{told} are {step} s, which are no whole minutes", "open")
    return Told(step // 60, told, "decided" if share > steps.size / 2 else "proposed")


def sun_at(utc: Seconds, question: Question) -> Values | None:
    """Height of the sun [deg]; None when nobody knows where the roof is."""
    return question.roof.elevation(utc) if question.roof is not None else None


def figures_of(utc: Seconds, values: Values, height: Values | None) -> Figures | None:
    """A column in the order of time, and where the sun then is."""
    known = np.flatnonzero(~np.isnan(values))
    if known.size < 2:
        return None
    order = known[np.argsort(utc[known], kind="stable")]
    dark = height[order] < _NIGHT_DEG if height is not None else None
    bright = height[order] > _DAY_DEG if height is not None else None
    return Figures(utc[order], values[order], dark, bright)


def text_lines(table: Rows) -> list[str]:
    """How numbers are written, where a file needs it to be said."""
    notation = table.notation
    if notation.mark == "?":
        told = "commas stand in numbers and nothing tells what they are"
        return [f"{OPEN} text = {{ decimal = {text(mark)} }}" + comment(told) for mark in (",", ".")]
    if notation.thousands is None:
        return []
    keys = f"decimal = {text(notation.mark)}, thousands = {text(notation.thousands)}"
    return [f"text = {{ {keys} }}" + comment("numbers with both marks prove it")]
