"""A table with one row a module and time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ingest.draft.clock import Clock
from ingest.draft.figures import Figures
from ingest.draft.meaning import meaning_of
from ingest.draft.proposal import ColumnDraft
from ingest.draft.rows import Question, Rows, as_utc, figures_of, sun_at, text_lines, time_of
from ingest.draft.shapes import Modules
from ingest.draft.words import read_name
from ingest.draft.writing import OPEN, comment, interval_line, text, time_lines
from ingest.readings import Seconds, Values


def long_lines(table: Rows, clock: Clock, modules: Modules, question: Question) -> list[str]:
    names = [table.sheet.columns[modules.place][row] for row in table.rows.tolist()]
    distinct = _runs(table.naive)
    mine = np.array([name == names[0] for name in names])
    values = {name: v[table.rows] for name, v in table.values.items()}
    light = _by_time(table.naive, next(iter(values.values()))) if values else None
    time, interval, _ = time_of(table, clock, question, distinct, light)
    utc = as_utc(table.naive, time, interval)
    height = sun_at(utc[mine], question)
    lines = [interval_line(interval), *time_lines(time), *text_lines(table)]
    return lines + [_long_line(table, modules, question, name, figures_of(utc[mine], v[mine], height)) for name, v in
                    values.items()]  # fmt: skip


def _long_line(table: Rows, modules: Modules, question: Question, name: str, figures: Figures | None) -> str:
    subject = table.sheet.names[modules.place]
    known = modules.strings <= set(question.roof.strings) if question.roof is not None else False
    meant = read_name(name + ("" if "module" in read_name(name).says else " module"))
    draft = (
        meaning_of(replace(read_name(name), says=meant.says | {"module"}), figures) if figures else ColumnDraft(name)
    )
    missing = [*draft.missing]
    if not known:
        missing.append(f"the strings {', '.join(sorted(modules.strings))} are not the site's")
    if draft.unit is None and draft.is_reading:
        missing.append("unit: W or kW")
    if not draft.is_reading or len(table.values) > 1:
        missing.append("a long table holds one value; choose the column")
    keys = [
        f"subject = {text(subject)}", f"value = {text(name)}", f"quantity = {text(draft.quantity or '?')}",
        f"unit = {text(draft.unit or '?')}", f"pattern = {text(modules.pattern)}",
    ]  # fmt: skip
    line = f"long = {{ {', '.join(keys)} }}"
    why = (f"{modules.count} modules named like {next(iter(table.sheet.columns[modules.place]))}", *draft.why)
    if missing:
        return f"{OPEN} {line}" + comment(*(f"open: {m}" for m in missing), *why)
    return line + comment(*why)


def _runs(naive: Seconds) -> Seconds:
    """Times in the file's order, each once where it stands several times in a row."""
    return naive[np.flatnonzero(np.diff(naive, prepend=naive[0] - 1) != 0)]


def _by_time(naive: Seconds, values: Values) -> Values:
    """The values of each run of one time added up."""
    starts = np.flatnonzero(np.diff(naive, prepend=naive[0] - 1) != 0)
    return np.add.reduceat(np.nan_to_num(values), starts)
