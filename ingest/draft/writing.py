"""A draft as TOML: every line with what it rests on, and lines that nobody decided as comments."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from itertools import product
from pathlib import PurePosixPath

from ingest.draft.proposal import ColumnDraft, Draft, TimeDraft, Told
from ingest.readers.rejects import shorten

OPEN = "#?"
_DATE = re.compile(r"\d{4}[-_.]?\d{2}[-_.]?\d{2}([-_T ]?\d{4,6})?|\d{4}[-_.]\d{2}|\d{6,}|(?<=[-_])\d{4}$")


def text(value: str) -> str:
    """A TOML string."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def comment(*parts: str) -> str:
    """The end of a line; nothing in it can end the comment."""
    told = "; ".join(part for part in parts if part)
    return "  # " + "".join(c if c.isprintable() else " " for c in told) if told else ""


def head_lines(name: str, site: str | None) -> list[str]:
    """What a draft begins with."""
    whose = f" of {site}" if site else ""
    return [
        comment(f"Draft of a source for {shorten(name)}{whose}. Behind each line stands what it rests on.").strip(),
        f"# Lines that begin with {OPEN} are left to you: choose, correct, and take the {OPEN} away.",
        "[[source]]",
    ]


def name_lines(name: str, taken: frozenset[str], site: str | None, *, inside: bool) -> Iterator[str]:
    """The lines `id`, `kind` not among them, and `files`."""
    stem = PurePosixPath(name).name.split(".")[0]
    plain = re.sub(r"[^A-Za-z0-9]+", "-", _DATE.sub("", stem)).strip("-").lower() or "export"
    ids = (plain, *(f"{plain}-{n}" for n in range(2, 100)))
    yield f"id = {text(next(i for i in ids if i not in taken))}" + comment("from the file's name")
    pattern = _pattern(name)
    if inside:
        yield f"files = {text(pattern)}" + comment("the file's path" + (", * for its date" if "*" in pattern else ""))
    else:
        folder = f"incoming/{site}" if site else "incoming"
        yield f"files = {text(f'{folder}/{pattern}')}" + comment("proposed: the file lies outside the fleet folder")


def interval_line(told: Told) -> str:
    """The declared interval."""
    line = f"interval_minutes = {told.value or '?'}" + comment(_said(told))
    return line if told.sure != "open" else f"{OPEN} {line}"


def time_lines(time: TimeDraft) -> Iterator[str]:
    """What the time rests on, and one line, or one for each way in which the times may be meant."""
    zones = (time.zone.value,) if time.zone.sure != "open" else time.zone.options
    yield comment(f"time: {time.form_why}").strip()
    yield comment(f"zone: {_said(time.zone)}").strip()
    yield comment(f"marks: {_said(time.marks)}").strip()
    lines = [_time(time, form, zone) for form, zone in product(time.formats, zones)]
    if len(lines) == 1:
        yield lines[0]
    else:
        yield f"# one of these {len(lines)}:"
        yield from (f"{OPEN} {line}" for line in lines)


def column_lines(columns: Sequence[ColumnDraft]) -> Iterator[str]:
    """The list of columns, open ones as comments."""
    yield "columns = ["
    for column in columns:
        if column.is_reading:
            line = f"  {{ {', '.join(_keys(column))} }},"
            yield (
                line + comment(*column.why)
                if column.decided
                else f"{OPEN}{line}" + comment(*(f"open: {m}" for m in column.missing), *column.why)
            )
    if not any(column.is_reading for column in columns):
        line = '  { column = "?", quantity = "?", of = "?" },'
        yield f"{OPEN}{line}{comment('open: no column that the site file has a part for')}"
    yield "]"
    for column in columns:
        if not column.is_reading:
            yield comment(f"left out: {column.column}: {'; '.join(column.why)}").strip()


def assemble(lines: Sequence[str], notes: Sequence[str] = ()) -> Draft:
    """The lines as a draft."""
    body = "\n".join(lines) + "\n"
    return Draft(body, sum(line.startswith(OPEN) for line in lines), tuple(notes))


def _keys(column: ColumnDraft) -> Iterator[str]:
    yield f"column = {text(column.column)}"
    yield f"quantity = {text(column.quantity or '?')}"
    yield f"of = {text(column.of or '?')}"
    if column.unit != "1":
        yield f"unit = {text(column.unit or '?')}"
    if column.reads != "mean" or (column.quantity or "").endswith("_energy"):
        yield f"reads = {text(column.reads if column.reads != 'mean' else '?')}"


def _time(time: TimeDraft, form: str | None, zone: str) -> str:
    keys = [f"column = {text(time.column)}"]
    if time.clock_column is not None:
        keys.append(f"clock_column = {text(time.clock_column)}")
    keys.append(f"zone = {text(zone)}")
    if form is not None:
        keys.append(f"format = {text(form)}")
    keys.append(f"marks = {text(time.marks.value)}")
    return f"time = {{ {', '.join(keys)} }}"


def _said(told: Told) -> str:
    if told.sure == "proposed":
        others = f" (else {' or '.join(told.options)})" if told.options else ""
        return f"proposed, {told.why}{others}"
    return told.why


def _pattern(name: str) -> str:
    """The path with stars for what looks like a date in the file's name."""
    path = PurePosixPath(name)
    return str(path.with_name(re.sub(r"\*+", "*", _DATE.sub("*", path.name))))
