"""What stands before the sky: each day's looks, and the maps that were learned from them.

Payloads are one byte of format version and a zstd frame, all little-endian.

* Looks of a day: number of subjects (uint16), length of the names (uint32), the names in UTF-8, one a line; for each
  subject its gain (float64), 1 if the day may teach its map (uint8), and its number of looks (uint16); then for the
  looks of all subjects in a row cell (uint16), transmittance (int16), sigma, cosine of incidence and beam share
  (uint16, all in thousandths), and clarity (uint8, in hundredths).
* A map: latitude and what shade took from the ratios that gains are learned from (float64, three), number of cells
  (uint16); then for the cells cell (uint16), transmittance with and without leaves (uint16, in thousandths), days that
  tell of each (uint16), and a byte of flags: 1 frozen with leaves, 2 frozen without.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date

import numpy as np
import zstandard
from sqlalchemy import Connection, delete, func, select

from ingest.readings import Values
from monitor.model.learned_sky import RECORD, KeptLooks, LearnedSky, joined
from monitor.model.skycells import CELLS, Cells
from monitor.model.skymap import SkyMap
from monitor.store import schema
from monitor.store.rows import portions, upsert

_VERSION = b"\x01"
_LEVEL = 3
_HEAD, _MAP_HEAD = struct.Struct("<HI"), struct.Struct("<dddH")
_PER_SUBJECT = np.dtype([("gain", "<f8"), ("healthy", "u1"), ("count", "<u2")])
_CELL = np.dtype("<u2")


class _Contexts(threading.local):
    """A zstd context may not be shared between threads, so every thread makes its own."""

    def __init__(self) -> None:
        self.packer = zstandard.ZstdCompressor(level=_LEVEL)
        self.unpacker = zstandard.ZstdDecompressor()


_contexts = _Contexts()


def pack_looks(looks: Sequence[KeptLooks]) -> bytes:
    """The looks of a site's day as a payload."""
    names = "\n".join(one.subject for one in looks).encode()
    heads = np.array([(one.gain, one.healthy, one.record.size) for one in looks], dtype=_PER_SUBJECT)
    record = joined([one.record for one in looks])
    columns = [np.ascontiguousarray(record[name]).tobytes() for name in RECORD.names or ()]
    return _pack([_HEAD.pack(len(looks), len(names)), names, heads.tobytes(), *columns])


def unpack_looks(day: date, payload: bytes) -> list[KeptLooks]:
    """The looks that `pack_looks` packed."""
    body = _unpack(payload)
    subjects, length = _HEAD.unpack_from(body)
    at = _HEAD.size + length
    names = body[_HEAD.size : at].decode().split("\n")
    heads = np.frombuffer(body, _PER_SUBJECT, subjects, at)
    at += heads.nbytes
    record = np.empty(int(heads["count"].sum()), dtype=RECORD)
    for name in RECORD.names or ():
        record[name] = np.frombuffer(body, RECORD[name], record.size, at)
        at += record.size * RECORD[name].itemsize
    parts = np.split(record, np.cumsum(heads["count"], dtype=np.int64)[:-1])
    return (
        [
            KeptLooks(name, day, float(head["gain"]), bool(head["healthy"]), part)
            for name, head, part in zip(names, heads, parts, strict=True)
        ]
        if subjects
        else []
    )


def pack_map(sky: LearnedSky) -> bytes:
    """A map as a payload; cells of which nothing is known are left out."""
    it = sky.sky_map
    known = np.flatnonzero(
        (it.leafy_days + it.bare_days > 0) | (np.minimum(it.leafy, it.bare) < 1.0) | it.leafy_frozen | it.bare_frozen
    )
    parts = [_MAP_HEAD.pack(it.latitude, sky.clear, sky.energy, known.size), known.astype(_CELL).tobytes()]
    parts += [np.rint(values[known] * 1000.0).astype("<u2").tobytes() for values in (it.leafy, it.bare)]
    parts += [days[known].astype("<u2").tobytes() for days in (it.leafy_days, it.bare_days)]
    parts.append((it.leafy_frozen[known] + 2 * it.bare_frozen[known]).astype("u1").tobytes())
    return _pack(parts)


def unpack_map(subject: str, epoch: int, learned_until: date, payload: bytes) -> LearnedSky:
    """The map that `pack_map` packed."""
    body = _unpack(payload)
    latitude, clear, energy, size = _MAP_HEAD.unpack_from(body)
    cells, *words = (np.frombuffer(body, "<u2", size, _MAP_HEAD.size + n * 2 * size) for n in range(5))
    flags = np.frombuffer(body, "u1", size, _MAP_HEAD.size + 10 * size)
    where = cells.astype(np.int64)
    leafy, bare = (_scattered(where, w / 1000.0, 1.0) for w in words[:2])
    leafy_days, bare_days, frozen = (
        _scattered(where, w.astype(np.float64), 0.0).astype(np.int64) for w in (*words[2:], flags)
    )
    sky_map = SkyMap(latitude, leafy, bare, leafy_days, bare_days, frozen % 2 == 1, frozen >= 2)
    return LearnedSky(subject, epoch, learned_until, sky_map, clear, energy)


def as_stored(sky: LearnedSky) -> LearnedSky:
    """A map as it comes back from the store."""
    return unpack_map(sky.subject, sky.epoch, sky.learned_until, pack_map(sky))


def write_looks(conn: Connection, looks: Mapping[str, Sequence[KeptLooks]], day: date) -> None:
    """Keep the looks of sites' day, by site; earlier ones of the same day are replaced."""
    upsert(conn, schema.day_looks, [{"site": site, "day": day, "data": pack_looks(o)} for site, o in looks.items()])


def read_looks(conn: Connection, site: str, *, last: date, first: date = date.min) -> list[KeptLooks]:
    """Looks of a site's days from `first` to `last`, both included, oldest first."""
    c = schema.day_looks.c
    query = select(c.day, c.data).where(c.site == site, c.day >= first, c.day <= last).order_by(c.day)
    return [one for day, data in conn.execute(query) for one in unpack_looks(day, data)]


def first_looks(conn: Connection, site: str) -> date | None:
    """The first local day of a site with looks."""
    c = schema.day_looks.c
    day: date | None = conn.execute(select(func.min(c.day)).where(c.site == site)).scalar()
    return day


def write_maps(conn: Connection, site: str, skies: Iterable[LearnedSky]) -> None:
    """Keep versions of maps; one of the same subject, epoch and day is replaced."""
    rows = [
        {
            "site": site, "subject": sky.subject, "epoch": sky.epoch, "learned_until": sky.learned_until,
            "data": pack_map(sky),
        }
        for sky in skies
    ]  # fmt: skip
    upsert(conn, schema.sky_map, rows)


def read_maps(conn: Connection, before: Mapping[str, date]) -> dict[str, dict[str, LearnedSky]]:
    """By site and subject the newest map that was learned from days before the site's day alone."""
    by_day: dict[date, list[str]] = {}
    for site, day in before.items():
        by_day.setdefault(day, []).append(site)
    found: dict[str, dict[str, LearnedSky]] = {}
    for day, sites in by_day.items():
        for portion in portions(sites):
            for site, sky in _newest_maps(conn, portion, day):
                found.setdefault(site, {})[sky.subject] = sky
    return found


def _newest_maps(conn: Connection, sites: Sequence[str], before: date) -> Iterator[tuple[str, LearnedSky]]:
    """Site and map, in order of epoch."""
    c = schema.sky_map.c
    newest = (
        select(c.site, c.subject, c.epoch, func.max(c.learned_until).label("day"))
        .where(c.site.in_(sites), c.learned_until < before)
        .group_by(c.site, c.subject, c.epoch)
        .subquery()
    )
    n = newest.c
    same = (c.site == n.site) & (c.subject == n.subject) & (c.epoch == n.epoch) & (c.learned_until == n.day)
    query = select(c.site, c.subject, c.epoch, c.learned_until, c.data).join(newest, same).order_by(c.epoch)
    for site, *rest in conn.execute(query):
        yield site, unpack_map(*rest)


def drop_skies(conn: Connection, site: str, *, from_day: date) -> None:
    """Delete a site's looks from a day on, and the maps that any of those went into."""
    looks, maps = schema.day_looks.c, schema.sky_map.c
    conn.execute(delete(schema.day_looks).where(looks.site == site, looks.day >= from_day))
    conn.execute(delete(schema.sky_map).where(maps.site == site, maps.learned_until >= from_day))


def _scattered(cell: Cells, given: Values, default: float) -> Values:
    out = np.full(CELLS, default)
    out[cell] = given
    return out


def _pack(parts: Iterable[bytes]) -> bytes:
    return _VERSION + _contexts.packer.compress(b"".join(parts))


def _unpack(payload: bytes) -> bytes:
    if payload[:1] != _VERSION:
        raise ValueError(f"a payload of format {payload[:1].hex() or 'empty'}, expected {_VERSION.hex()}")
    return _contexts.unpacker.decompress(payload[1:])
