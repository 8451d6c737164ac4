"""Columns of numbers and times to the bytes of an export, many rows at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from monitor.demo.chance import Floats
from monitor.demo.manners import Dialect
from monitor.demo.span import Whole

_DAY_S = 86400


def numbers(values: Floats, decimals: int, decimal: str = ".") -> Any:
    """Text with a fixed number of decimals; an empty cell where there is no value."""
    there = np.isfinite(values)
    scaled = np.rint(np.where(there, values, 0.0) * 10.0**decimals).astype(np.int64)
    if decimals:
        halves = np.stack([scaled, scaled >> 63], axis=1)  # a 128-bit whole number: low half, sign
        kind = pa.decimal128(18, decimals)
        texts = pc.cast(pa.Array.from_buffers(kind, len(scaled), [None, pa.py_buffer(halves)]), pa.string())
    else:
        texts = pc.cast(pa.array(scaled), pa.string())
    if decimal != "." and decimals:
        texts = pc.replace_substring(texts, ".", decimal)
    return texts if there.all() else pc.if_else(pa.array(there), texts, "")


def stamps(wall: Whole, dialect: Dialect) -> Any:
    """Times as a dialect writes them; wall are seconds since 1970 as its clock shows them."""
    days, minutes = wall // _DAY_S, wall % _DAY_S // 60
    dates = _each(days, lambda d: (date(1970, 1, 1) + timedelta(days=d)).strftime(dialect.date_form))
    clocks = _each(minutes, lambda m: _clock(m).strftime(dialect.clock_form) + dialect.tail)
    return pc.binary_join_element_wise(dates, clocks, dialect.joint)


def _clock(minute: int) -> time:
    return (datetime(1970, 1, 1) + timedelta(minutes=minute)).time()


def _each(keys: Whole, say: Callable[[int], str]) -> Any:
    """A text for every key, worked out once for each different one."""
    different, place = np.unique(keys, return_inverse=True)
    return pa.array([say(k) for k in different.tolist()], pa.string()).take(pa.array(place))


def join(columns: Sequence[Any], dialect: Dialect) -> Any:
    """Lines of an export, each with its end."""
    between = f'"{dialect.delimiter}"' if dialect.quoted else dialect.delimiter
    quote = '"' if dialect.quoted else ""
    lines = pc.binary_join_element_wise(*columns, between)
    return pc.binary_join_element_wise(quote, lines, quote + dialect.line_end, "")


def cut(lines: Any, first: int, after: int) -> bytes:
    """The bytes of some of the joined lines; they stand one after the other in one buffer."""
    _, places, data = lines.buffers()
    offsets = np.frombuffer(places, np.int32)[lines.offset :]
    return bytes(memoryview(data)[int(offsets[first]) : int(offsets[after])])
