"""A register dump: what it is by its columns, and what it cannot tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ingest.draft.clock import Clock
from ingest.draft.proposal import Told
from ingest.draft.rows import Question, Rows, time_of
from ingest.draft.shapes import Dump, holds_sunspec, register_lines
from ingest.draft.writing import OPEN, comment, interval_line, text, time_lines
from ingest.readings import Seconds

_POLL_S = 5  # rows of one poll may be stamped so far apart


def dump_lines(table: Rows, clock: Clock, dump: Dump, question: Question) -> list[str]:
    names = {key: table.sheet.names[place] for key, place in dump.places.items()}
    time, interval, _ = time_of(table, clock, question, _polls(table.naive), None)
    time = replace(time, marks=Told("instant", "registers are read at instants"))
    keys = ", ".join(f"{key} = {text(name)}" for key, name in names.items())
    lines = [interval_line(interval), *time_lines(time), f"registers = {{ {keys} }}" + comment("by names and numbers")]
    if holds_sunspec(dump):
        return [*lines, 'model = "sunspec"' + comment("the marker of the open SunSpec model chain stands in it")]
    what = "take quantity, of, unit, reads, scale and type from the register list of the device"
    lines += [f"# what the registers mean the dump does not tell: {what}", f"{OPEN} map = ["]
    return [*lines, *(f"{OPEN}   {line}" for line in register_lines(dump)), f"{OPEN} ]"]


def _polls(naive: Seconds) -> Seconds:
    """The first time of each poll."""
    ordered = np.unique(naive)
    return ordered[np.flatnonzero(np.diff(ordered, prepend=ordered[0] - _POLL_S - 1) > _POLL_S)]
