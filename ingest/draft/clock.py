"""Which column holds the time, and in what form; where two forms fit equally, both are told."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from ingest.draft.sheet import Sheet, is_time
from ingest.draft.words import plain_words
from ingest.readers.times import read_stamp
from ingest.readings import Seconds
from ingest.sources import EPOCHS, TimeSpec

_TRIED = 600
_MOST_BAD = 0.03
_MONTH_JUMP_S = 20 * 86_400
_DATE = (
    (r"\d{4}(?P<s>[-/.])\d{1,2}(?P=s)\d{1,2}", ("%Y{s}%m{s}%d",)),
    (r"\d{1,2}(?P<s>[-/. ])\d{1,2}(?P=s)\d{4}", ("%d{s}%m{s}%Y", "%m{s}%d{s}%Y")),
    (r"\d{2}(?P<s>[-/. ])\d{2}(?P=s)\d{2}", ("%d{s}%m{s}%y", "%m{s}%d{s}%y", "%y{s}%m{s}%d")),
    (r"\d{1,2}(?P<s>[-/. ])[A-Za-z]{3}(?P=s)\d{4}", ("%d{s}%b{s}%Y",)),
    (r"\d{1,2}(?P<s>[-/. ])[A-Za-z]{4,9}(?P=s)\d{4}", ("%d{s}%B{s}%Y",)),
    (r"(?P<s>)\d{8}", ("%Y%m%d",)),
)
_CLOCK = (
    (r"\d{1,2}:\d{2}:\d{2} ?[AaPp]\.? ?[Mm]\.?", "%I:%M:%S"),
    (r"\d{1,2}:\d{2} ?[AaPp]\.? ?[Mm]\.?", "%I:%M"),
    (r"\d{1,2}:\d{2}:\d{2}\.\d{1,6}", "%H:%M:%S.%f"),
    (r"\d{1,2}:\d{2}:\d{2}", "%H:%M:%S"),
    (r"\d{1,2}:\d{2}", "%H:%M"),
    (r"\d{6}", "%H%M%S"),
    (r"\d{4}", "%H%M"),
)
_TIME_WORDS = {
    "time", "timestamp", "epoch", "unix", "date", "zeit", "zeitstempel", "datum", "heure", "horodatage", "hora",
    "fecha",
}  # fmt: skip
_ZONE = r"(Z|[+-]\d{2}:?\d{2})?"
_ORDER = {"%d": "day first", "%m": "month first", "%y": "year first"}


@dataclass(frozen=True, slots=True)
class Form:
    """The time of the rows read in one form; `times` are as the clock shows them, -1 where there is none."""

    column: str
    clock_column: str | None  # where `column` holds the date alone
    format: str | None  # None: ISO 8601
    times: Seconds
    aware: bool  # the texts say their offset from UTC, so `times` are UTC


@dataclass(frozen=True, slots=True)
class Clock:
    """The forms that fit (one: decided), and why."""

    forms: tuple[Form, ...]
    why: str
    others: tuple[str, ...]  # further columns with times


def find_clock(sheet: Sheet, *, latest: int) -> Clock | None:
    """The time of a sheet's rows; None when no column, and no two, hold it. No time lies after `latest`."""
    fitting: dict[tuple[int, ...], list[Form]]
    fitting = {(place,): found for place in range(len(sheet.names)) if (found := _forms(sheet, (place,)))}
    if not fitting:
        fitting = {pair: found for pair in _pairs(sheet) if (found := _forms(sheet, pair))}
    if not fitting:
        return None
    chosen = min(fitting, key=lambda p: (_is_epoch(fitting[p]), not fitting[p][0].aware, _is_not_utc(sheet, p), p))
    others = tuple(sheet.names[p[0]] for p in fitting if p[0] not in chosen and not _is_epoch(fitting[p]))
    forms, why = _choose(fitting[chosen], sheet.name, latest)
    return Clock(forms, why, others)


def _pairs(sheet: Sheet) -> Iterator[tuple[int, int]]:
    """A column with dates alone beside one with clock times alone."""
    firsts = [next((cell for cell in column if cell), "") for column in sheet.columns]
    dates = [place for place, cell in enumerate(firsts) if any(re.fullmatch(date, cell) for date, _ in _DATE[:-1])]
    clocks = [place for place, cell in enumerate(firsts) if any(re.fullmatch(clock, cell) for clock, _ in _CLOCK[:-2])]
    yield from ((date, clock) for date in dates for clock in clocks)


def _is_epoch(forms: Sequence[Form]) -> bool:
    return forms[0].format in EPOCHS


def _is_not_utc(sheet: Sheet, places: tuple[int, ...]) -> bool:
    return not {"utc", "gmt"} & set(plain_words(sheet.names[places[0]]))


def is_iso(text: str) -> bool:
    """Whether a text is read as ISO 8601, and has a clock time."""
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return len(text) > 10 and text[4:5] == "-"


def _forms(sheet: Sheet, places: tuple[int, ...]) -> list[Form]:
    """The forms that read a column, or a date and a clock column, with the fewest failures."""
    first = [" ".join(row) for row in zip(*(sheet.columns[place][:_TRIED] for place in places), strict=True)]
    sample = next((cell for cell in first if is_time(cell)), "")
    if not sample:
        return []
    cells = (
        first if sheet.rows <= _TRIED else list(map(" ".join, zip(*(sheet.columns[p] for p in places), strict=True)))
    )
    tried = cells[:: max(1, len(cells) // _TRIED)]
    counted = []
    for form in _guesses(sample, sheet.names[places[0]]):
        spec = TimeSpec(column="time", zone="UTC", format=form)
        failed = sum(read_stamp(cell, spec) is None for cell in tried)
        if failed <= _MOST_BAD * len(tried):
            counted.append((form, sum(read_stamp(cell, spec) is None for cell in dict.fromkeys(cells))))
    fewest = min((failed for _, failed in counted), default=0)
    names = [sheet.names[place] for place in places]
    return [_read(names, cells, form) for form, failed in counted if failed == fewest]


def _guesses(sample: str, name: str) -> Iterator[str | None]:
    """Formats in which a text may be written; None for ISO 8601."""
    if is_iso(sample):
        yield None
        return
    digits = {10: "epoch_s", 13: "epoch_ms"}.get(len(sample)) if sample.isdigit() else None
    if digits is not None and _TIME_WORDS & set(plain_words(name)):
        yield digits
    for date, dates in _DATE:
        for clock, form in _CLOCK:
            match = re.fullmatch(
                rf"(?P<date>{date})(?P<joint>[ T,]{{0,2}})(?P<clock>{clock}) ?(?P<zone>{_ZONE})", sample
            )
            if match is None or (match["joint"] == "" and ":" in sample):
                continue
            half = " %p" if " " in match["clock"] else "%p" if "%I" in form else ""
            tail = (" %z" if sample[match.end("clock")] == " " else "%z") if match["zone"] else ""
            yield from (d.format(s=match["s"]) + match["joint"] + form + half + tail for d in dates)


def _read(names: Sequence[str], cells: Sequence[str], form: str | None) -> Form:
    spec = TimeSpec(column="time", zone="UTC", format=form)
    known = {text: read_stamp(text, spec) for text in dict.fromkeys(cells)}
    times = np.array([found[0] if (found := known[text]) else -1 for text in cells], np.int64)
    aware = [found[1] for found in known.values() if found is not None]
    return Form(names[0], names[1] if len(names) > 1 else None, form, times, bool(aware) and all(aware))


def _choose(forms: Sequence[Form], file: str, latest: int) -> tuple[tuple[Form, ...], str]:
    """One form if the rows, the calendar or the file's name tell; else all."""
    if len(forms) == 1:
        return tuple(forms), _why_alone(forms[0])
    past = [f for f in forms if int(f.times.max()) <= latest]
    if len(past) == 1:
        return (past[0],), f"{_order(past[0])}: read otherwise, times would lie in the future"
    jumps = {f.format: _jumps(f) for f in forms}
    steady = [f for f in forms if not jumps[f.format]]
    if len(steady) == 1:
        return (steady[0],), f"{_order(steady[0])}: read otherwise, the days would jump by months"
    named = [f for f in forms if _in_name(f, file)]
    if len(named) == 1:
        return (named[0],), f"{_order(named[0])}: fits the date in the file's name"
    return tuple(forms), "no day above 12 and nothing else tells which is which"


def _why_alone(form: Form) -> str:
    if form.format is None:
        return "ISO 8601"
    if form.format in EPOCHS:
        return "counts from 1970"
    if form.format[:2] in ("%d", "%m") and "%b" not in form.format.lower():
        return f"{_order(form)}: the other way round there would be a thirteenth month"
    return "the only form that fits"


def _order(form: Form) -> str:
    return _ORDER.get((form.format or "")[:2], "year first")


def _jumps(form: Form) -> int:
    return int(np.count_nonzero(np.abs(np.diff(form.times[form.times >= 0])) > _MONTH_JUMP_S))


def _in_name(form: Form, file: str) -> bool:
    """Whether the file's name holds the date of the first or the last row, written year first."""
    good = form.times[form.times >= 0]
    days = {datetime.fromtimestamp(int(t), UTC).strftime("%Y%m%d") for t in (good[0], good[-1])}
    written = re.findall(r"(?<!\d)(\d{4})[-_.]?(\d{2})[-_.]?(\d{2})(?!\d)", file)
    return any("".join(date) in days for date in written)
