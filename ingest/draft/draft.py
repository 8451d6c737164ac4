"""From a file of unknown layout to a drafted `[[source]]`: only what the file proves stands in lines that count."""

from __future__ import annotations

from ingest.draft.clock import find_clock
from ingest.draft.dump import dump_lines
from ingest.draft.long import long_lines
from ingest.draft.proposal import Draft
from ingest.draft.rows import Question, read_rows
from ingest.draft.shapes import find_dump, find_modules
from ingest.draft.sheet import look_at
from ingest.draft.wide import wide_lines
from ingest.draft.writing import assemble, head_lines, name_lines
from ingest.errors import InputError

__all__ = ["Question", "draft_source"]


def draft_source(data: bytes, question: Question) -> Draft:
    """Draft a source for a file; InputError when no table with times is found in it."""
    sheet = look_at(data, name=question.name)
    clock = find_clock(sheet, latest=question.latest)
    if clock is None:
        raise InputError(question.name, f"no column of {', '.join(sheet.names)} holds a date and a clock time")
    table = read_rows(sheet, clock)
    lines = [*head_lines(question.name, _site(question))]
    taken = question.roof.sources if question.roof else frozenset()
    id_line, files_line = name_lines(question.name, taken, _site(question), inside=question.inside)
    dump = find_dump(sheet, time=clock.forms[0].column)
    kind = "table" if dump is None else "registers"
    lines += [id_line, f'kind = "{kind}"', files_line]
    if dump is not None:
        return assemble(lines + dump_lines(table, clock, dump, question))
    modules = find_modules(sheet)
    rest = long_lines(table, clock, modules, question) if modules else wide_lines(table, clock, question)
    notes = (f"further columns with times: {', '.join(clock.others)}",) if clock.others else ()
    return assemble(lines + rest, notes)


def _site(question: Question) -> str | None:
    return question.roof.site if question.roof is not None else None
