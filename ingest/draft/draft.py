"""From a file of unknown layout to a drafted `[[source]]`: only what the file proves stands in lines that count."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ingest.draft.clock import Clock, find_clock
from ingest.draft.figures import Figures, read_columns
from ingest.draft.meaning import meaning_of
from ingest.draft.proposal import ColumnDraft, Draft, Roof, TimeDraft, Told
from ingest.draft.shapes import Dump, Modules, find_dump, find_modules, holds_sunspec, register_lines
from ingest.draft.sheet import Sheet, look_at, numeric_share
from ingest.draft.units import settle_units
from ingest.draft.whose import whose
from ingest.draft.words import read_name
from ingest.draft.writing import (
    OPEN,
    assemble,
    column_lines,
    comment,
    head_lines,
    interval_line,
    name_lines,
    text,
    time_lines,
)
from ingest.draft.zones import find_marks, find_zone, to_zone
from ingest.errors import InputError
from ingest.readers.numbers import MISSING, Notation
from ingest.readings import Seconds, Values
from ingest.timeline import zone_of

_NUMERIC = 0.9
_NIGHT_DEG, _DAY_DEG = -3.0, 10.0
_LIGHT = ("irradiance", "current", "power", "voltage")
_POLL_S = 5  # rows of one poll may be stamped so far apart


@dataclass(frozen=True, slots=True)
class Question:
    """What a draft is asked for: the file, the roof if it is known, and the present."""

    name: str  # the path in the fleet folder, or the file's name
    inside: bool  # whether it lies in the fleet folder
    roof: Roof | None
    latest: int  # no time lies after it [UTC epoch seconds]


@dataclass(frozen=True, slots=True)
class _Table:
    """The rows with a time, in order of it."""

    sheet: Sheet
    naive: Seconds  # in the order of the file
    rows: npt.NDArray[np.intp]  # places of the rows with a time, in the order of the file
    values: Mapping[str, Values]  # number columns, all rows
    notation: Notation


def draft_source(data: bytes, question: Question) -> Draft:
    """Draft a source for a file; InputError when no table with times is found in it."""
    sheet = look_at(data, name=question.name)
    clock = find_clock(sheet, latest=question.latest)
    if clock is None:
        raise InputError(question.name, f"no column of {', '.join(sheet.names)} holds a date and a clock time")
    table = _table(sheet, clock)
    lines = [*head_lines(question.name, _site(question))]
    taken = question.roof.sources if question.roof else frozenset()
    id_line, files_line = name_lines(question.name, taken, _site(question), inside=question.inside)
    dump = find_dump(sheet, time=clock.forms[0].column)
    kind = "table" if dump is None else "registers"
    lines += [id_line, f'kind = "{kind}"', files_line]
    if dump is not None:
        return assemble(lines + _dump_lines(table, clock, dump, question))
    modules = find_modules(sheet)
    rest = _long_lines(table, clock, modules, question) if modules else _wide_lines(table, clock, question)
    notes = (f"further columns with times: {', '.join(clock.others)}",) if clock.others else ()
    return assemble(lines + rest, notes)


def _site(question: Question) -> str | None:
    return question.roof.site if question.roof is not None else None


def _table(sheet: Sheet, clock: Clock) -> _Table:
    form = clock.forms[0]
    rows = np.flatnonzero(form.times >= 0)
    names = [
        name
        for name, column in zip(sheet.names, sheet.columns, strict=True)
        if name not in (form.column, form.clock_column) and name not in clock.others and _is_numeric(column)
    ]
    columns = [sheet.columns[sheet.names.index(name)] for name in names]
    values, notation = read_columns(columns)
    return _Table(sheet, form.times[rows], rows, dict(zip(names, values, strict=True)), notation)


def _is_numeric(column: Sequence[str]) -> bool:
    return numeric_share(column) >= _NUMERIC


def _wide_lines(table: _Table, clock: Clock, question: Question) -> list[str]:
    time, interval, utc = _time(table, clock, question, table.naive, _light(table))
    figures = {
        name: known for name, values in table.values.items()
        if (known := _figures(utc, values[table.rows], question)) is not None
    }  # fmt: skip
    drafts = _columns(table, clock, figures, question, interval)
    if all(d.reads == "counter" for d in drafts if d.decided) and any(d.decided for d in drafts):
        time = replace(time, marks=_marks(clock, table.naive, utc, question, interval, only_counters=True))
    return [interval_line(interval), *time_lines(time), *_text_lines(table), *column_lines(drafts)]


def _columns(
    table: _Table, clock: Clock, figures: Mapping[str, Figures], question: Question, interval: Told
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


def _unread(table: _Table, clock: Clock, figures: Mapping[str, Figures]) -> list[ColumnDraft]:
    """Columns that hold no readings."""
    times = {clock.forms[0].column, clock.forms[0].clock_column, *clock.others}
    left = []
    for name, column in zip(table.sheet.names, table.sheet.columns, strict=True):
        if name and name not in figures and name not in times:
            why = "text, no numbers" if any(cell not in MISSING for cell in column) else "empty"
            left.append(ColumnDraft(name, is_reading=False, why=(why,)))
    return left


def _long_lines(table: _Table, clock: Clock, modules: Modules, question: Question) -> list[str]:
    names = [table.sheet.columns[modules.place][row] for row in table.rows.tolist()]
    distinct = _runs(table.naive)
    mine = np.array([name == names[0] for name in names])
    values = {name: v[table.rows] for name, v in table.values.items()}
    light = _by_time(table.naive, next(iter(values.values()))) if values else None
    time, interval, _ = _time(table, clock, question, distinct, light)
    utc = _as_utc(table.naive, time, interval)
    lines = [interval_line(interval), *time_lines(time), *_text_lines(table)]
    return lines + [_long_line(table, modules, question, name, _figures(utc[mine], v[mine], question)) for name, v in
                    values.items()]  # fmt: skip


def _long_line(table: _Table, modules: Modules, question: Question, name: str, figures: Figures | None) -> str:
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


def _dump_lines(table: _Table, clock: Clock, dump: Dump, question: Question) -> list[str]:
    names = {key: table.sheet.names[place] for key, place in dump.places.items()}
    time, interval, _ = _time(table, clock, question, _polls(table.naive), None)
    time = replace(time, marks=Told("instant", "registers are read at instants"))
    keys = ", ".join(f"{key} = {text(name)}" for key, name in names.items())
    lines = [interval_line(interval), *time_lines(time), f"registers = {{ {keys} }}" + comment("by names and numbers")]
    if holds_sunspec(dump):
        return [*lines, 'model = "sunspec"' + comment("the marker of the open SunSpec model chain stands in it")]
    what = "take quantity, of, unit, reads, scale and type from the register list of the device"
    lines += [f"# what the registers mean the dump does not tell: {what}", f"{OPEN} map = ["]
    return [*lines, *(f"{OPEN}   {line}" for line in register_lines(dump)), f"{OPEN} ]"]


def _text_lines(table: _Table) -> list[str]:
    """How numbers are written, where a file needs it to be said."""
    notation = table.notation
    if notation.mark == "?":
        told = "commas stand in numbers and nothing tells what they are"
        return [f"{OPEN} text = {{ decimal = {text(mark)} }}" + comment(told) for mark in (",", ".")]
    if notation.thousands is None:
        return []
    keys = f"decimal = {text(notation.mark)}, thousands = {text(notation.thousands)}"
    return [f"text = {{ {keys} }}" + comment("numbers with both marks prove it")]


def _time(
    table: _Table, clock: Clock, question: Question, naive: Seconds, light: Values | None
) -> tuple[TimeDraft, Told, Seconds]:
    """The time's keys, the interval, and the times in UTC as far as the zone is known."""
    form = clock.forms[0]
    interval = _interval(naive)
    zone = find_zone(form.column, naive, aware=form.aware, light=light, roof=question.roof)
    time = TimeDraft(
        form.column, form.clock_column, tuple(f.format for f in clock.forms), clock.why, zone, Told("start", "")
    )
    utc = _as_utc(naive, time, interval)
    marks = _marks(clock, naive, utc, question, interval, only_counters=False)
    return replace(time, marks=marks), interval, utc


def _as_utc(naive: Seconds, time: TimeDraft, interval: Told) -> Seconds:
    return to_zone(naive, time.zone.value or "UTC", interval_s=(interval.value or 1) * 60)


def _marks(
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


def _figures(utc: Seconds, values: Values, question: Question) -> Figures | None:
    """A column in the order of time, and where the sun then is."""
    known = np.flatnonzero(~np.isnan(values))
    if known.size < 2:
        return None
    order = known[np.argsort(utc[known], kind="stable")]
    times = utc[order]
    height = question.roof.elevation(times) if question.roof is not None else None
    dark = height < _NIGHT_DEG if height is not None else None
    bright = height > _DAY_DEG if height is not None else None
    return Figures(times, values[order], dark, bright)


def _light(table: _Table) -> Values | None:
    """The column that follows the light by its numbers, and most closely by its name."""
    best: tuple[int, Values] | None = None
    for name, all_values in table.values.items():
        values = all_values[table.rows]
        known = values[~np.isnan(values)]
        if known.size < 16 or known.max() <= 0:
            continue
        course = np.diff(known)
        lit = float(np.mean(known > 0.005 * np.quantile(known, 0.995)))
        if not 0.1 < lit < 0.9 or np.count_nonzero(course < 0) < 0.1 * np.count_nonzero(course):
            continue
        says = read_name(name)
        dimensions = says.dimensions | ({"voltage"} if says.unit == "V" else set())
        rank = min((_LIGHT.index(d) for d in dimensions if d in _LIGHT), default=len(_LIGHT))
        if not says.says & {"import", "export", "battery", "house", "charger", "diverter"}:
            best = (rank, values) if best is None or rank < best[0] else best
    return best[1] if best is not None else _counted_light(table)


def _counted_light(table: _Table) -> Values | None:
    """The steps of a register that only rises."""
    for all_values in table.values.values():
        values = all_values[table.rows]
        if np.isnan(values).any() or values.size < 48:
            continue
        steps = np.diff(values, prepend=values[0])
        if np.all(steps >= 0) and 0.1 < np.mean(steps > 0) < 0.9:
            return steps
    return None


def _runs(naive: Seconds) -> Seconds:
    """Times in the file's order, each once where it stands several times in a row."""
    return naive[np.flatnonzero(np.diff(naive, prepend=naive[0] - 1) != 0)]


def _polls(naive: Seconds) -> Seconds:
    """The first time of each poll."""
    ordered = np.unique(naive)
    return ordered[np.flatnonzero(np.diff(ordered, prepend=ordered[0] - _POLL_S - 1) > _POLL_S)]


def _by_time(naive: Seconds, values: Values) -> Values:
    """The values of each run of one time added up."""
    starts = np.flatnonzero(np.diff(naive, prepend=naive[0] - 1) != 0)
    return np.add.reduceat(np.nan_to_num(values), starts)
