"""Reads one file as a source would, and stores nothing: what it holds, what would be set aside, what looks wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ingest.arrivals import config_hash, list_arrivals
from ingest.errors import ConfigurationError
from ingest.readers import reader_for
from ingest.readers.times import read_clock
from ingest.readings import Channel, ReadResult, Seconds, Values
from ingest.sources import FileSource, RegisterSource, TableSource
from monitor.config import Fleet, Site
from monitor.jobs.ingesting import file_sources
from monitor.jobs.reading import believable
from monitor.jobs.sample_figures import DayEnergy, Span, day_energies, span_of
from monitor.jobs.sample_file import SampleFile
from monitor.jobs.sample_hint import Evidence, Hint
from monitor.jobs.sample_sizes import (
    agreement_hints,
    counter_hints,
    direction_hints,
    energy_hints,
    power_hints,
    reads_hints,
)
from monitor.jobs.sample_times import clock_change_hints, light_of, step_hints, sun_hints
from monitor.model.sun import sun_position

_TRIAL_BYTES = 65_536
_FIRST, _BRIGHT = 3, 2  # rows shown: of the beginning, and about the strongest light

Claimed = tuple[Site, FileSource]
HINTS = (
    step_hints, clock_change_hints, sun_hints, energy_hints, power_hints, agreement_hints, reads_hints, counter_hints,
    direction_hints,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Claim:
    """Which source reads a file, why, and which other sources would."""

    site: Site
    source: FileSource
    why: str
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """One channel of the file: the column it stands in, its readings, and its values at the shown times."""

    column: str
    channel: Channel
    readings: int
    lowest: float
    highest: float
    shown: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Sample:
    """How a file would be read."""

    file: str
    size: int
    claim: Claim
    result: ReadResult
    absent: tuple[str, ...]  # declared and not in the file
    unused: tuple[str, ...]  # in the file and not declared
    times: tuple[int, ...]  # the shown interval starts
    lines: tuple[Line, ...]
    span: Span | None
    days: tuple[DayEnergy, ...]
    hints: tuple[Hint, ...]

    @property
    def all_read(self) -> bool:
        """Nothing would be set aside."""
        return not self.result.rejects


def pick_sources(fleet: Fleet, site_id: str | None, source_id: str | None) -> list[Claimed]:
    """The sources that may read the file, by what the command line says."""
    sources, unread = file_sources(fleet)
    chosen = [
        (site, source) for site, source in sources if site_id in (None, site.id) and source_id in (None, source.id)
    ]
    if source_id is not None and not chosen:
        known = sorted({source.id for site, source in sources if site_id in (None, site.id)})
        raise ConfigurationError(
            [f"--source {source_id}: no source with files has this id; expected one of {', '.join(known)}", *unread]
        )
    return chosen


def claim_of(fleet: Fleet, file: SampleFile, sources: Sequence[Claimed], *, asked: bool) -> Claim | None:
    """The source whose pattern holds the file, else the asked one, else one that its columns fit; None if none."""
    named = [one for one in sources if _holds(fleet, file, one[1])]
    if named:
        return _claim(named, f"its files are {named[0][1].files}")
    if asked and len(sources) == 1:
        return _claim(sources, f"asked for; the file does not fit its files {sources[0][1].files}")
    fitting = _fitting(file, sources)
    near = [one for one in fitting if one[0].id in file.path.as_posix()] or fitting
    if not near:
        return None
    return _claim([*near, *(one for one in fitting if one not in near)], "by its columns: no source's files hold it")


def read_sample(file: SampleFile, claim: Claim, *, now: int) -> Sample:
    """Read the file with a source."""
    site, source = claim.site, claim.source
    result = file.read(source, believable(site, now))
    span = span_of(result.tables, interval_s=source.interval_minutes * 60)
    sample = Sample(
        file.name, file.content.size, claim, result, *_unmatched(source, result), (), (), span, (), ()
    )  # fmt: skip
    if span is None:
        return sample
    days = day_energies(result.tables, site.zone, interval_s=source.interval_minutes * 60)
    look = Evidence(site, source, result, span, days, lambda t: _elevation(site, t))
    times = _shown_times(look)
    hints = tuple(hint for look_for in HINTS for hint in look_for(look))
    return replace(sample, times=times, lines=tuple(_lines(look, times)), days=days, hints=hints)


def declared_columns(source: FileSource) -> tuple[str, ...]:
    """Names of the columns that a source reads, the time first."""
    times = (source.time.column,) if source.time.clock is None else (source.time.column, source.time.clock)
    if isinstance(source, RegisterSource):
        return (*times, source.registers.unit_id, source.registers.address, source.registers.word)
    if source.long is not None:
        return (*times, source.long.subject, source.long.value)
    return (*times, *(column.column for column in source.columns))


def _claim(found: Sequence[Claimed], why: str) -> Claim:
    (site, source), *others = found
    return Claim(site, source, why, tuple(f"{s.id}/{o.id}" for s, o in others))


def _holds(fleet: Fleet, file: SampleFile, source: FileSource) -> bool:
    listing = list_arrivals(fleet.folder, source, now=0, settle_s=0, only=[file.path])
    return bool(listing.arrivals or listing.rejects)


def _fitting(file: SampleFile, sources: Sequence[Claimed]) -> list[Claimed]:
    """Sources that find all their columns at the file's beginning and read it, those with the fewest rejects first."""
    start = file.head(_TRIAL_BYTES)
    tried: dict[str, int | None] = {}
    fits = []
    for site, source in sources:
        key = config_hash(source)
        if key not in tried:
            result = reader_for(source)(start, name=file.name)
            absent, _ = _unmatched(source, result)
            tried[key] = len(result.rejects) if result.tables and not absent else None
        rejects = tried[key]
        if rejects is not None:
            fits.append((rejects, (site, source)))
    fewest = min((rejects for rejects, _ in fits), default=0)
    return [one for rejects, one in fits if rejects == fewest]


def _unmatched(source: FileSource, result: ReadResult) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Columns declared but absent, and present but not declared."""
    if result.dialect is None:
        return declared_columns(source), ()
    there = [name for name in result.dialect.columns if name]
    folded, declared = {n.casefold() for n in there}, declared_columns(source)
    wanted = {n.strip().casefold() for n in declared}
    absent = tuple(n for n in declared if n.strip().casefold() not in folded)
    return absent, tuple(n for n in there if n.casefold() not in wanted and not _is_across(source, n))


def _is_across(source: FileSource, name: str) -> bool:
    """Whether a column is one of the clock times of a table with a row a day."""
    across = source.across if isinstance(source, TableSource) else None
    return across is not None and read_clock(name, across.header) is not None


def _elevation(site: Site, times: Seconds) -> Values:
    place = site.site
    return sun_position(
        times, latitude=place.latitude, longitude=place.longitude, altitude_m=place.altitude_m
    ).elevation_deg


def _shown_times(look: Evidence) -> tuple[int, ...]:
    """The first interval starts, and those about the strongest light (else in the middle)."""
    starts = np.unique(np.concatenate([table.starts for table in look.result.tables]))
    bright = light_of(look)
    middle = int(bright[1][np.argmax(bright[2])]) if bright is not None else int(starts[starts.size // 2])
    at = int(np.searchsorted(starts, middle))
    return tuple(np.unique(np.concatenate([starts[:_FIRST], starts[at : at + _BRIGHT]])).tolist())


def _lines(look: Evidence, times: tuple[int, ...]) -> Iterator[Line]:
    for table in look.result.tables:
        places = np.searchsorted(table.starts, times)
        inside = np.minimum(places, table.starts.size - 1)
        there = table.starts[inside] == np.array(times)
        for channel, values in table.columns.items():
            known = values[~np.isnan(values)]
            lowest, highest = (float(known.min()), float(known.max())) if known.size else (np.nan, np.nan)
            shown = tuple(np.where(there, values[inside], np.nan).tolist())
            yield Line(_column(look.source, channel), channel, known.size, lowest, highest, shown)


def _column(source: FileSource, channel: Channel) -> str:
    """Where a channel stands in the file."""
    if isinstance(source, TableSource):
        if source.long is not None:
            return source.long.value
        if source.across is not None:
            return source.across.header
        return next((c.column for c in source.columns if (c.of, c.quantity) == (channel.subject, channel.quantity)), "")
    points = (p for p in source.map if (p.of, p.quantity) == (channel.subject, channel.quantity))
    return next((f"unit {p.unit_id}, register {p.address}" for p in points), "")
