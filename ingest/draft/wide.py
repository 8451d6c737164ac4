"""A table with a column for each reading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ingest.draft.clock import Clock
from ingest.draft.figures import Figures
from ingest.draft.light import find_light
from ingest.draft.meaning import meaning_of
from ingest.draft.proposal import ColumnDraft, Told
from ingest.draft.rows import Question, Rows, figures_of, marks_of, sun_at, text_lines, time_of
from ingest.draft.units import settle_units
from ingest.draft.whose import whose
from ingest.draft.words import read_name
from ingest.draft.writing import column_lines, interval_line, time_lines
from ingest.readers.numbers import MISSING


def wide_lines(table: Rows, clock: Clock, question: Question) -> list[str]:
    time, interval, utc = time_of(table, clock, question, table.naive, find_light(table))
    height = sun_at(utc, question)
    figures = {
        name: known for name, values in table.values.items()
        if (known := figures_of(utc, values[table.rows], height)) is not None
    }  # fmt: skip
    drafts = _columns(table, clock, figures, question, interval)
    reads = {d.reads for d in drafts if d.is_reading}
    if reads == {"counter"}:
        time = replace(time, marks=marks_of(clock, table.naive, utc, question, interval, only_counters=True))
    return [interval_line(interval), *time_lines(time), *text_lines(table), *column_lines(drafts)]


def _columns(
    table: Rows, clock: Clock, figures: Mapping[str, Figures], question: Question, interval: Told
) -> list[ColumnDraft]:
    sheet, drafts = table.sheet, []
    units = dict(zip(sheet.names, sheet.units or [""] * len(sheet.names), strict=True))
    names = {name: read_name(name, units[name]) for name in figures}
    first = [meaning_of(names[name], known) for name, known in figures.items()]
    beside = {d.quantity for d in first if d.quantity is not None}
    for draft in first:
        drafts.append(whose(draft, names[draft.column], question.roof, file=question.name, beside=beside))
    settled = settle_units(drafts, figures, question.roof, interval_s=(interval.value or 15) * 60)
    return [*_without_doubles(settled), *_unread(table, clock, figures)]


def _without_doubles(drafts: Sequence[ColumnDraft]) -> list[ColumnDraft]:
    """Of two columns that say the same of the same part neither is taken, but of counters the one of the lifetime."""
    kept = []
    for draft in drafts:
        same = [d for d in drafts if d.decided and (d.of, d.quantity) == (draft.of, draft.quantity)]
        if draft.decided and len(same) > 1:
            lasting = [d for d in same if "total" in read_name(d.column).says and "day" not in read_name(d.column).says]
            if lasting != [draft]:
                others = " and ".join(d.column for d in same if d is not draft)
                draft = replace(draft, missing=(f"which column? {others} is {draft.quantity} of {draft.of} too",))
        kept.append(draft)
    return kept


def _unread(table: Rows, clock: Clock, figures: Mapping[str, Figures]) -> list[ColumnDraft]:
    """Columns that hold no readings."""
    times = {clock.forms[0].column, clock.forms[0].clock_column, *clock.others}
    left = []
    for name, column in zip(table.sheet.names, table.sheet.columns, strict=True):
        if name and name not in figures and name not in times:
            why = "text, no numbers" if any(cell not in MISSING for cell in column) else "empty"
            left.append(ColumnDraft(name, is_reading=False, why=(why,)))
    return left
