"""A sample as a person reads it, and as one JSON document."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from ingest.readings import Channel, Dialect, Reject
from monitor.cli.tables import aligned
from monitor.jobs.sample_figures import DayEnergy, Span
from monitor.jobs.sampling import Sample

_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars", " ": "spaces"}
_MARKS = {".": "decimal points", ",": "decimal commas", "?": "commas that may be decimals or thousands"}
_MOST_LINES, _MOST_DAYS, _MOST_REASONS, _WIDEST_NAME = 14, 5, 12, 28


def sample_lines(sample: Sample) -> Iterator[str]:
    """The whole text, line by line."""
    yield from _head(sample)
    if sample.lines:
        yield ""
        yield from _readings(sample)
    if sample.days:
        yield ""
        yield from _energies(sample.days)
    if sample.hints:
        yield ""
        yield "worth a look"
        yield from (f"  - {hint.text}" for hint in sample.hints)
    if sample.result.rejects:
        yield ""
        yield "would be set aside"
        yield from _rejects(sample.file, sample.result.rejects)


def sample_document(sample: Sample) -> dict[str, Any]:
    """All of it for programs; times in UTC."""
    claim, dialect = sample.claim, sample.result.dialect
    return {
        "schema": 1,
        "file": sample.file,
        "size": sample.size,
        "site": claim.site.id,
        "source": claim.source.id,
        "claimed": claim.why,
        "also_fits": list(claim.others),
        "dialect": None if dialect is None else {
            "encoding": dialect.encoding, "delimiter": dialect.delimiter, "decimal": dialect.decimal,
            "header_line": dialect.header_line, "columns": list(dialect.columns),
        },
        "columns_absent": list(sample.absent),
        "columns_unused": list(sample.unused),
        "rows": sample.result.rows,
        "interval_minutes": claim.source.interval_minutes,
        "span": None if sample.span is None else _span_document(sample.span),
        "channels": [
            {
                "column": line.column, **_channel(line.channel), "readings": line.readings,
                "lowest": _number(line.lowest), "highest": _number(line.highest),
            }
            for line in sample.lines
        ],
        "readings": [
            {"start": _utc(time), **_channel(line.channel), "value": line.shown[at]}
            for at, time in enumerate(sample.times)
            for line in sample.lines
            if not math.isnan(line.shown[at])
        ],
        "days": [
            {"date": day.isoformat(), **_channel(energy.channel), "kwh": kwh}
            for energy in sample.days
            for day, kwh in energy.kwh.items()
        ],
        "set_aside": [
            asdict(reject) for reject in sample.result.rejects
        ],
        "notes": list(sample.result.notes),
        "hints": [{"kind": hint.kind, "text": hint.text} for hint in sample.hints],
    }  # fmt: skip


def _head(sample: Sample) -> Iterator[str]:
    claim, result = sample.claim, sample.result
    rows = [
        ("file", f"{sample.file}, {_size(sample.size)}"),
        ("source", f"{claim.source.id} of {claim.site.id} ({claim.site.site.name}); {claim.why}"),
    ]
    if claim.others:
        rows.append(("also fits", f"{_few(claim.others, 4)}; --site and --source decide"))
    if result.dialect is not None:
        rows.append(("written", _dialect(result.dialect)))
    readings = sum(line.readings for line in sample.lines)
    rows.append(("holds", f"{_count(result.rows, 'row')}, {_count(readings, 'reading')}, {_aside(result.rejects)}"))
    if sample.span is not None:
        rows += _span(sample.span, claim.site.zone, claim.source.interval_minutes * 60)
    if sample.absent and result.dialect is not None:
        rows.append(("absent", f"declared, but not in the file: {_few(sample.absent, 8)}"))
    if sample.unused:
        rows.append(("left out", f"in the file, but not declared: {_few(sample.unused, 8)}"))
    rows += [("note", text) for text in result.notes]
    yield from aligned(rows)


def _dialect(dialect: Dialect) -> str:
    cells = _DELIMITERS.get(dialect.delimiter, repr(dialect.delimiter))
    return f"{dialect.encoding}, cells between {cells}, {_MARKS[dialect.decimal]}, header on line {dialect.header_line}"


def _span(span: Span, zone: ZoneInfo, interval_s: int) -> list[tuple[str, str]]:
    first, last = (datetime.fromtimestamp(t, UTC) for t in (span.first, span.last))
    local = f"{first.astimezone(zone):%Y-%m-%d %H:%M} to {last.astimezone(zone):%Y-%m-%d %H:%M} {zone.key}"
    lines = [("span", f"{local} ({first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC)")]
    if span.step_s is not None:
        declared = "as declared" if span.step_s == interval_s else f"declared are {interval_s // 60}"
        gaps = "no gaps"
        if span.gaps:
            gaps = f"{_count(span.gaps, 'wider step')}, the widest {_duration(span.longest_gap_s)}"
        lines.append(("steps", f"{_duration(span.step_s)}, {declared}; {gaps}"))
    return lines


def _readings(sample: Sample) -> Iterator[str]:
    """One line a channel, one column a shown time."""
    zone = sample.claim.site.zone
    times = [datetime.fromtimestamp(t, UTC) for t in sample.times]
    rows = [
        ("interval starts", "local time", "", "", *_clock([t.astimezone(zone) for t in times])),
        ("", "UTC", "", "", *_clock(times)),
        ("column", "is", "lowest", "highest", *("" for _ in times)),
    ]
    for line in sample.lines[:_MOST_LINES]:
        values = (_value(v) for v in (line.lowest, line.highest, *line.shown))
        rows.append((_short(line.column), _what(line.channel, with_unit=True), *values))
    yield from aligned(rows, right=range(2, len(rows[0])))
    if len(sample.lines) > _MOST_LINES:
        yield f"and {len(sample.lines) - _MOST_LINES} more channels"


def _clock(times: Sequence[datetime]) -> Iterator[str]:
    """Clock times; the day stands where it changes."""
    before = None
    for time in times:
        yield f"{time:%H:%M}" if time.date() == before else f"{time:%d %b %H:%M}"
        before = time.date()


def _energies(days: Sequence[DayEnergy]) -> Iterator[str]:
    """One line a channel: its first days, then all of them in short."""
    every = sorted({day for energy in days for day in energy.kwh})
    shown = every[:_MOST_DAYS]
    rows = [("energy, kWh a local day", *(f"{d:%d %b}" for d in shown), "median", "most", "all", "days")]
    for energy in days[:_MOST_LINES]:
        kwh = list(energy.kwh.values())
        if not kwh:
            continue
        cells = [_kwh(energy.kwh.get(day)) for day in shown]
        totals = (_kwh(median(kwh)), _kwh(max(kwh)), _kwh(energy.total_kwh), str(len(kwh)))
        rows.append((_what(energy.channel), *cells, *totals))
    yield from aligned(rows, right=range(1, len(rows[0])))
    unplaced = [e for e in days if e.unplaced_kwh > 0]
    for energy in unplaced:
        yield f"{_what(energy.channel)}: {_kwh(energy.unplaced_kwh)} kWh of all was counted over gaps across midnight"


def _rejects(file: str, rejects: Sequence[Reject]) -> Iterator[str]:
    """Each reason once, with where it was met first and how often."""
    groups: dict[tuple[str, str], list[Reject]] = {}
    for reject in rejects:
        groups.setdefault((reject.field, reject.reason), []).append(reject)
    for (field, reason), members in list(groups.items())[:_MOST_REASONS]:
        first = members[0]
        inside = "" if first.file == file else f"{first.file.removeprefix(file).lstrip('/')}: "
        place = inside + (f"line {first.line}" if first.line is not None else "the file")
        named = f", {field}" if field else ""
        text = f": {first.text!r}" if first.text else ""
        more = f" (and {len(members) - 1} more like it)" if len(members) > 1 else ""
        yield f"  - {place}{named}{text}: {reason}{more}"
    if len(groups) > _MOST_REASONS:
        yield f"  and {len(groups) - _MOST_REASONS} more reasons; --json lists all"


def _aside(rejects: Sequence[Reject]) -> str:
    return f"{_count(len(rejects), 'piece')} set aside" if rejects else "nothing set aside"


def _span_document(span: Span) -> dict[str, Any]:
    return {
        "first": _utc(span.first), "last": _utc(span.last), "times": span.times, "step_s": span.step_s,
        "wider_steps": span.gaps, "widest_step_s": span.longest_gap_s,
    }  # fmt: skip


def _channel(channel: Channel) -> dict[str, str]:
    return {
        "subject": channel.subject,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "reads": channel.reads,
    }


def _what(channel: Channel, *, with_unit: bool = False) -> str:
    unit = f" [{channel.unit}]" if with_unit and channel.unit != "1" else ""
    reads = f", {channel.reads}" if with_unit and channel.reads != "mean" else ""
    return f"{channel.subject} {channel.quantity}{unit}{reads}"


def _utc(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat()


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value


def _value(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.10g}"


def _kwh(value: float | None) -> str:
    return "-" if value is None else f"{value:,.2f}" if abs(value) < 1000 else f"{value:,.0f}"


def _duration(seconds: int) -> str:
    if seconds < 60 or seconds % 60:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def _size(size: int) -> str:
    return f"{size} bytes" if size < 2048 else f"{size / 1024:,.0f} kB"


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _few(names: Sequence[str], most: int) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _short(name: str) -> str:
    return name if len(name) <= _WIDEST_NAME else name[: _WIDEST_NAME - 1] + "…"
