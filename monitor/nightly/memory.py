"""What earlier nights left behind of sites: from packed parts, and from daily rows where there are none.

A part holds a hundred local days of a site and is written once it is over, or when a pass ends. The parts of a site
follow each other without a hole from its first one on; what a rewind takes back goes from the end.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta

import zstandard
from sqlalchemy import Connection

from monitor.detect.ruling import epochs_on
from monitor.model.gain import Gains
from monitor.model.history import MEMORY_DAYS, DayNote, SiteHistory, memory_start
from monitor.model.packing import Stretch, joined, pack, unpack
from monitor.nightly.doubts import doubted_after, is_of_a_plane, is_of_a_unit
from monitor.store.baselines import baselines_of
from monitor.store.daily import DailyRow, read_daily
from monitor.store.memory import MemoryPart, read_memory, write_memory
from monitor.store.rulings import rulings_of
from monitor.store.skies import read_maps

PART_DAYS = 100
Stored = Mapping[int, date]  # part to the last day in it
_LEVEL = 1


def remember(conn: Connection, site: str, first: date) -> SiteHistory:
    """What the nights before `first` left behind of a site, and no more."""
    return remember_all(conn, {site: first})[site][0]


def remember_all(conn: Connection, firsts: Mapping[str, date]) -> dict[str, tuple[SiteHistory, Stored]]:
    """What the nights before a day left behind, for many sites by id, and which parts of it are stored."""
    if not firsts:
        return {}
    oldest = memory_start(min(firsts.values())).toordinal()
    parts = read_memory(conn, list(firsts), since=oldest // PART_DAYS)
    found = {site: _from_parts(conn, site, first, parts[site]) for site, first in firsts.items()}
    for baseline in baselines_of(conn, list(firsts)):
        history = found[baseline.site][0]
        if is_of_a_plane(baseline):
            if baseline.learned_until < firsts[baseline.site]:
                history.doubted = doubted_after(history.doubted, [baseline])
        elif is_of_a_unit(baseline) and baseline.frozen_on is not None and baseline.frozen_on < firsts[baseline.site]:
            gains = Gains(**baseline.values, complete=True)
            history.frozen[baseline.subject] = (baseline.frozen_on, gains)
    for site, skies in read_maps(conn, firsts).items():
        found[site][0].skies = skies
    for site, rulings in rulings_of(conn, list(firsts)).items():
        found[site][0].epochs = epochs_on(rulings, firsts[site])
    return found


def note_of(row: DailyRow) -> DayNote:
    """What of a row the next nights need."""
    return DayNote(
        row.day,
        row.subject,
        row.expected_kwh,
        row.expected_low_kwh,
        row.expected_high_kwh,
        row.usable,
        row.features,
        row.measured_kwh,
    )


def keep_memory(conn: Connection, told: Iterable[tuple[str, SiteHistory, Stored]]) -> None:
    """Write the parts of sites that are not stored as they are now: site, history until tonight, what is stored."""
    write_memory(conn, [part for site, history, stored in told for part in _unstored(site, history, stored)])


def _from_parts(conn: Connection, site: str, first: date, parts: Sequence[MemoryPart]) -> tuple[SiteHistory, Stored]:
    begin, last = memory_start(first), first - timedelta(1)
    try:
        parts = [p for p in parts if (p.part + 1) * PART_DAYS > begin.toordinal()]
        stretches = [_open(p.data) for p in parts]
    except (zstandard.ZstdError, ValueError, struct.error):  # the rows tell the same
        parts, stretches = [], []
    if parts and not parts[0].first and parts[0].part * PART_DAYS > begin.toordinal():
        before = date.fromordinal(parts[0].part * PART_DAYS - 1)
        stretches.insert(0, _from_rows(conn, site, begin, before))
    after = max(begin, parts[-1].until + timedelta(1)) if parts else begin
    if after <= last:
        stretches.append(_from_rows(conn, site, after, last))
    history = SiteHistory(joined(stretches, begin.toordinal(), last.toordinal()))
    return history, {p.part: p.until for p in parts}


def _from_rows(conn: Connection, site: str, first: date, last: date) -> Stretch:
    history = SiteHistory()
    history.add(note_of(row) for row in read_daily(conn, site=site, first=first, last=last))
    return {subject: (store.days, store.nights()) for subject, store in history.kept.items()}


def _unstored(site: str, history: SiteHistory, stored: Stored) -> list[MemoryPart]:
    days = [store.days for store in history.kept.values()]
    if not days:
        return []
    oldest, newest = min(int(d[0]) for d in days), max(int(d[-1]) for d in days)
    begins = oldest > newest - MEMORY_DAYS + 1  # nothing of the site is forgotten yet
    found = []
    for part in range(oldest // PART_DAYS, newest // PART_DAYS + 1):
        start, end = part * PART_DAYS, min((part + 1) * PART_DAYS - 1, newest)
        whole = begins or start >= newest - MEMORY_DAYS + 1
        if whole and stored.get(part) != date.fromordinal(end):
            first = begins and start <= oldest
            data = zstandard.ZstdCompressor(_LEVEL, write_checksum=True).compress(pack(history.kept, start, end))
            found.append(MemoryPart(site=site, part=part, until=date.fromordinal(end), first=first, data=data))
    return found


def _open(data: bytes) -> Stretch:
    return unpack(zstandard.decompress(data))
