"""The payload of a day block: one source's readings of one UTC day, packed without losing a bit.

Layout, all little-endian: one byte of format version, then a zstd frame with

* rows n (uint32), columns c (uint16), length of the names (uint32), the names in UTF-8: one line a column, sorted,
  with subject, quantity, reads and unit parted by tabs;
* the first number of every line (int64, c + 1 of them: the time axis, then the columns);
* the width of every line in bytes (uint8, c + 1): 0 where it never moves;
* the scale of every column (int8, c): how its whole numbers turn into values, see below;
* a flag for every column (uint8, c): 1 where it has gaps, and for those columns a bitmap of n bits, 1 at a gap;
* for every width from 1 to 8 the lines of that width: differences from one row to the next, zigzag coded,
  first the lowest bytes of all its lines, then the second bytes, and so on.
"""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import zstandard

from ingest.readings import Channel, Seconds, Values

Integers = npt.NDArray[np.int64]
Octets64 = npt.NDArray[np.uint64]
Scales = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]
_Scaling = Callable[[Values, Scales], tuple[Integers, Flags]]

_VERSION = b"\x01"
_LEVEL = 1
_HEAD = struct.Struct("<IHI")
# Read from text, so that they are the same doubles on every machine.
_POWERS = np.array([float(f"1e{power}") for power in range(10)])
_FACTORS = np.array([float(f"1e-{power}") for power in range(10)])
# A scale s >= 0 says value = number / 10**s, the nearest double to a decimal text. A scale -s says value = number *
# 10**-s, which is what a register word times a factor such as 0.01 gives and often is another double. _BITS says that
# the number is the double's own bit pattern.
_USUAL: Scales = np.arange(4, dtype=np.int8)
_DIVIDING: Scales = np.arange(10, dtype=np.int8)
_MULTIPLYING: Scales = np.arange(-1, -7, -1, dtype=np.int8)
_BITS = np.int8(-128)
_SAMPLES = 16  # readings a column that are tried before all of them are
_WIDTH_LIMITS = np.array([1] + [1 << (8 * width) for width in range(1, 8)], dtype=np.uint64)


class DamagedBlock(ValueError):
    """A payload that cannot be what was written."""


@dataclass(frozen=True, slots=True)
class Day:
    """Readings of one source and UTC day: `values[i]` belongs to `channels[i]`, one entry per start.

    Channels are sorted, starts increase, and no row or column is all gaps, so equal readings are an equal day.
    """

    starts: Seconds
    channels: tuple[Channel, ...]
    values: Values

    @property
    def readings(self) -> int:
        """How many readings there are, gaps left out."""
        return int(self.values.size - np.count_nonzero(np.isnan(self.values)))


class _Contexts(threading.local):
    """A zstd context may not be shared between threads, so every thread makes its own."""

    def __init__(self) -> None:
        self.packer = zstandard.ZstdCompressor(level=_LEVEL, write_checksum=True)
        self.unpacker = zstandard.ZstdDecompressor()


_contexts = _Contexts()


def encode(day: Day) -> bytes:
    """Pack a day; equal days give equal bytes."""
    gaps = np.isnan(day.values)
    numbers, scales = _whole_numbers(day.values, gaps)
    lines = np.empty((len(scales) + 1, day.starts.size), dtype=np.int64)
    lines[0], lines[1:] = day.starts, numbers
    steps = _zigzag(lines)
    widths = np.searchsorted(_WIDTH_LIMITS, steps.max(axis=1), side="right").astype(np.uint8)
    has_gaps = gaps.any(axis=1) if gaps.any() else np.zeros(len(gaps), dtype=np.bool_)
    names = _names_of(day.channels)
    parts = [
        _HEAD.pack(day.starts.size, len(scales), len(names)),
        names,
        lines[:, 0].astype("<i8").tobytes(),
        widths.tobytes(),
        scales.tobytes(),
        has_gaps.tobytes(),
        np.packbits(gaps[has_gaps], axis=1).tobytes(),
        *_planes(steps, widths),
    ]
    return _VERSION + _contexts.packer.compress(b"".join(parts))


def decode(payload: bytes) -> Day:
    """Unpack what `encode` made; raises DamagedBlock."""
    if payload[:1] != _VERSION:
        raise DamagedBlock(f"its format is {payload[:1].hex() or 'empty'}, expected {_VERSION.hex()}")
    try:
        body = _contexts.unpacker.decompress(payload[1:])
    except zstandard.ZstdError as error:
        raise DamagedBlock(f"it does not unpack ({error})") from error
    return _read(body)


def _read(body: bytes) -> Day:
    rows, columns, length = _HEAD.unpack_from(body)
    at = _HEAD.size
    channels = _channels_of(body[at : at + length])
    at += length
    firsts = np.frombuffer(body, "<i8", columns + 1, at)
    at += firsts.nbytes
    widths = np.frombuffer(body, np.uint8, columns + 1, at)
    scales = np.frombuffer(body, np.int8, columns, at + columns + 1)
    has_gaps = np.frombuffer(body, np.bool_, columns, at + 2 * columns + 1)
    at += 3 * columns + 1
    gaps = None
    if has_gaps.any():
        packed = np.frombuffer(body, np.uint8, int(has_gaps.sum()) * ((rows + 7) // 8), at)
        at += packed.nbytes
        gaps = np.unpackbits(packed.reshape(-1, (rows + 7) // 8), axis=1, count=rows).view(np.bool_)
    lines = _sum_steps(_join_planes(body, at, widths, rows), firsts)
    values = _values(lines[1:], scales)
    if gaps is not None:
        rows_with_gaps = values[has_gaps]
        rows_with_gaps[gaps] = np.nan
        values[has_gaps] = rows_with_gaps
    return Day(lines[0], channels, values)


# --- values to whole numbers and back ---------------------------------------------------------------------------------


def _whole_numbers(values: Values, gaps: Flags) -> tuple[Integers, Scales]:
    """Whole numbers and a scale a column that give back every value bit by bit; a gap repeats its neighbour."""
    filled = _fill(values, gaps) if gaps.any() else np.ascontiguousarray(values)
    with np.errstate(over="ignore", invalid="ignore"):
        scales = _USUAL[_likely(filled, _USUAL, _divided).argmax(axis=0)]
        numbers, exact = _divided(filled, scales[:, None])
        if not exact.all():
            unusual = ~exact.all(axis=1)
            numbers[unusual], scales[unusual] = _unusual_numbers(filled[unusual])
    return numbers, scales


def _fill(values: Values, gaps: Flags) -> Values:
    """Repeat the last reading over each gap (the first one over a leading gap), so that gaps cost no steps."""
    at = np.where(gaps, 0, np.arange(values.shape[1]))
    np.maximum.accumulate(at, axis=1, out=at)
    leading = np.take_along_axis(gaps, at, axis=1)
    first = np.argmin(gaps, axis=1)[:, None]
    return np.take_along_axis(values, np.where(leading, first, at), axis=1)


def _divided(values: Values, scales: Scales) -> tuple[Integers, Flags]:
    """Whole numbers that give values when divided by 10**scale, and where they do so bit by bit."""
    powers = _POWERS[scales]
    product = values * powers
    numbers = np.rint(product, out=product).astype(np.int64)
    return numbers, _same(np.divide(numbers, powers, out=product), values)


def _multiplied(values: Values, scales: Scales) -> tuple[Integers, Flags]:
    """Whole numbers that give values when multiplied by 10**scale, and where they do so bit by bit."""
    numbers = np.rint(values * _POWERS[-scales]).astype(np.int64)
    return numbers, _same(numbers * _FACTORS[-scales], values)


def _likely(columns: Values, scales: Scales, scaled: _Scaling) -> Flags:
    """Which scales hold for a sample of each column: (scales, columns)."""
    sample = columns[:, :: max(1, columns.shape[1] // _SAMPLES)]
    exact = scaled(sample[None], scales[:, None, None])[1]
    likely: Flags = np.logical_and.reduce(exact, axis=2)
    return likely


def _unusual_numbers(columns: Values) -> tuple[Integers, Scales]:
    """Numbers by the first scale of all that holds for a whole column, and the bit patterns where none does."""
    numbers = columns.view(np.int64).copy()
    scales = np.full(len(columns), _BITS)
    for candidates, scaled in ((_DIVIDING, _divided), (_MULTIPLYING, _multiplied)):
        likely = _likely(columns, candidates, scaled) & (scales == _BITS)
        while likely.any():
            rows = np.flatnonzero(likely.any(axis=0))
            picks = likely[:, rows].argmax(axis=0)
            attempt, exact = scaled(columns[rows], candidates[picks][:, None])
            held = exact.all(axis=1)
            numbers[rows[held]], scales[rows[held]] = attempt[held], candidates[picks[held]]
            likely[:, rows[held]] = False
            likely[picks, rows] = False
    return numbers, scales


def _same(left: Values, right: Values) -> Flags:
    """Equal bit by bit: tells -0.0 from 0.0."""
    same: Flags = left.view(np.int64) == right.view(np.int64)
    return same


def _values(numbers: Integers, scales: Scales) -> Values:
    values: Values = numbers / _POWERS[np.maximum(scales, 0)][:, None]
    for row in np.flatnonzero(scales < 0):
        scale = scales[row]
        values[row] = numbers[row].view(np.float64) if scale == _BITS else numbers[row] * _FACTORS[-scale]
    return values


# --- whole numbers to bytes and back ----------------------------------------------------------------------------------


def _zigzag(lines: Integers) -> Octets64:
    """Steps from row to row (modulo 2**64), small ones of either sign as small numbers; the first step is 0."""
    steps = np.empty_like(lines)
    steps[:, 0] = 0
    np.subtract(lines[:, 1:], lines[:, :-1], out=steps[:, 1:])
    signs = steps >> 63
    steps <<= 1
    steps ^= signs
    return steps.view(np.uint64)


def _sum_steps(steps: Octets64, firsts: Integers) -> Integers:
    signs = -(steps & np.uint64(1)).view(np.int64)
    steps >>= np.uint64(1)
    lines: Integers = steps.view(np.int64)
    lines ^= signs
    lines[:, 0] = firsts
    return np.cumsum(lines, axis=1, out=lines)


def _planes(steps: Octets64, widths: npt.NDArray[np.uint8]) -> list[bytes]:
    parts = []
    for width in np.unique(widths).tolist():
        chosen = steps[widths == width]
        for _ in range(width):
            parts.append(chosen.astype(np.uint8).tobytes())
            chosen >>= np.uint64(8)
    return parts


def _join_planes(body: bytes, at: int, widths: npt.NDArray[np.uint8], rows: int) -> Octets64:
    steps = np.zeros((len(widths), rows), dtype=np.uint64)
    for width in np.unique(widths).tolist():
        chosen = np.flatnonzero(widths == width)
        size = len(chosen) * rows
        planes = np.frombuffer(body, np.uint8, width * size, at).reshape(width, len(chosen), rows)
        at += planes.size
        joined = np.zeros((len(chosen), rows), dtype=np.uint64)
        for plane in planes[::-1]:
            joined <<= np.uint64(8)
            joined |= plane
        steps[chosen] = joined
    return steps


# --- names ------------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=4096)
def _names_of(channels: tuple[Channel, ...]) -> bytes:
    return "\n".join("\t".join((c.subject, c.quantity, c.reads, c.unit)) for c in channels).encode()


@lru_cache(maxsize=4096)
def _channels_of(names: bytes) -> tuple[Channel, ...]:
    return tuple(Channel(*line.split("\t")) for line in names.decode().split("\n"))  # type: ignore[arg-type]
