"""A stretch of a site's history as bytes and back.

Layout, all little-endian: the length of the head (uint32), the head as JSON: of each subject its name, the number of
its days and the names of its numbers; then subject by subject the days' ordinals (int32) and the numbers (float32),
name by name.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence

import numpy as np

from monitor.model.numbers import Nights, NumberStore, Ordinals

_LENGTH = struct.Struct("<I")
Stretch = dict[str, tuple[Ordinals, Nights]]


def pack(kept: Mapping[str, NumberStore], first: int, last: int) -> bytes:
    """The nights of all subjects from one day to another, both included."""
    head, body = [], []
    for subject, store in kept.items():
        days, nights = store.between(first, last)
        if not days.size:
            continue
        counts = np.count_nonzero(~np.isnan(nights.table), axis=0)
        names = [name for name, at in nights.at.items() if counts[at]]
        head.append((subject, int(days.size), names))
        body += [days.astype("<i4").tobytes(), nights.table[:, [nights.at[n] for n in names]].T.astype("<f4").tobytes()]
    told = json.dumps(head, separators=(",", ":")).encode()
    return b"".join([_LENGTH.pack(len(told)), told, *body])


def unpack(data: bytes) -> Stretch:
    """Days and nights by subject."""
    (length,) = _LENGTH.unpack_from(data)
    at = _LENGTH.size + length
    found: Stretch = {}
    for subject, count, names in json.loads(data[_LENGTH.size : at]):
        days = np.frombuffer(data, "<i4", count, at).astype(np.int64)
        at += days.size * 4
        table = np.frombuffer(data, "<f4", count * len(names), at).reshape(len(names), count).T
        at += table.size * 4
        found[subject] = (days, Nights(table, {name: n for n, name in enumerate(names)}))
    return found


def joined(stretches: Sequence[Stretch], first: int, last: int) -> dict[str, NumberStore]:
    """One store a subject from stretches that follow each other, cut to some days."""
    parts: dict[str, list[tuple[Ordinals, Nights]]] = {}
    for stretch in stretches:
        for subject, (days, nights) in stretch.items():
            parts.setdefault(subject, []).append(_cut(days, nights, first, last))
    return {s: NumberStore.of(some) for s, some in sorted(parts.items()) if any(days.size for days, _ in some)}


def _cut(days: Ordinals, nights: Nights, first: int, last: int) -> tuple[Ordinals, Nights]:
    if days[0] >= first and days[-1] <= last:
        return days, nights
    inside = (days >= first) & (days <= last)
    return days[inside], Nights(nights.table[inside], nights.at)
