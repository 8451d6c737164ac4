"""Reads register dumps: one register a row, put together by a map of points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.errors import InputError
from ingest.readers.assemble import Series, assemble
from ingest.readers.body import Sheet, Wanted, careful_look
from ingest.readers.header import find_header, place_columns
from ingest.readers.rejects import Rejects
from ingest.readers.text import clean
from ingest.readers.times import read_times
from ingest.readings import Channel, ReadResult, Reject, Seconds, Values
from ingest.sources import RegisterPoint, RegisterSource, ScaleRegister

Words = npt.NDArray[np.uint16]
Numbers = npt.NDArray[np.int64]

_DTYPES = {
    "int16": ">i2", "uint16": ">u2", "int32": ">i4", "uint32": ">u4", "int64": ">i8", "uint64": ">u8",
    "float32": ">f4", "float64": ">f8",
}  # fmt: skip
_SMALLEST_POWER, _LARGEST_POWER = -10, 10


@dataclass(frozen=True, slots=True)
class Register:
    """All words of one register, in order of time, each time once."""

    times: Seconds
    words: Words
    lines: Numbers


Registers = dict[tuple[int, int], Register]  # (unit, address)


def read_registers(data: bytes, *, name: str, source: RegisterSource) -> ReadResult:
    """Read one dump by the source's map; what cannot be read comes back as rejects."""
    rejects = Rejects(name)
    columns = source.registers
    needed = (columns.unit_id, columns.address, columns.word)
    try:
        text = clean(data, name=name)
        header = find_header(text.data, name=name, time=source.time.column, columns=needed)
    except InputError as error:
        return ReadResult((), (Reject(name, None, "", "", error.reason),), 0)
    places = place_columns(header, time=source.time.column, columns=needed, rejects=rejects)
    if len(places) <= len(needed):
        return ReadResult((), rejects.result(), 0, text.notes)
    wanted = Wanted(source.time, places[source.time.column], {column: places[column] for column in needed}, {})
    sheet = careful_look(text.data, header, wanted, rejects)
    if not len(sheet) and not sheet.lost:
        return ReadResult((), rejects.result(), 0, text.notes + sheet.notes + (header.nothing_below,))
    registers, notes = _registers(sheet, source, rejects)
    series = [one for point in source.map if (one := _series(point, registers, rejects)) is not None]
    tables, _ = assemble(series, source.time.marks, source.interval_minutes * 60)
    return ReadResult(tables, rejects.result(), len(sheet) + sheet.lost, text.notes + sheet.notes + notes)


def decode_words(words: Words, kind: str, word_order: str) -> Values:
    """Values of a point from its words, shape (polls, words); "not implemented" patterns are NaN.

    Integers have their most negative (signed) or largest (unsigned) pattern as "not implemented", floats any that
    is not finite.
    """
    ordered = words if word_order == "big" else words[:, ::-1]
    raw = np.ascontiguousarray(ordered.astype(">u2")).view(_DTYPES[kind])[:, 0]
    values = raw.astype(np.float64)
    if raw.dtype.kind == "f":
        return np.where(np.isfinite(values), values, np.nan)
    info = np.iinfo(raw.dtype)
    return np.where(raw == (info.min if raw.dtype.kind == "i" else info.max), np.nan, values)


def scale_by(values: Values, factor: float) -> Values:
    """Multiply; by a tenth, a hundredth and so on as a division, which gives the decimal number itself."""
    inverse = round(1 / factor) if factor else 0
    if inverse > 1 and abs(1 / factor - inverse) < 1e-9 * inverse:
        return values / inverse
    return values * factor


def _registers(sheet: Sheet, source: RegisterSource, rejects: Rejects) -> tuple[Registers, tuple[str, ...]]:
    """The words of every register; rows that cannot be read are set aside."""
    columns = source.registers
    unit, unit_ok = _whole(sheet, columns.unit_id, 255, rejects)
    address, address_ok = _whole(sheet, columns.address, 65_535, rejects)
    word, word_ok = _whole(sheet, columns.word, 65_535, rejects)
    key = unit * 65_536 + address
    stamps = read_times(sheet.times, source.time, interval_s=source.interval_minutes * 60, groups=key)
    lines = sheet.lines if sheet.lines is not None else np.zeros(len(sheet), np.int64)
    for row, why in stamps.why.items():
        rejects.add(int(lines[row]), source.time.column, sheet.times[row].as_py(), why)
    good, timed = unit_ok & address_ok & word_ok, stamps.good()
    rows = np.flatnonzero(good if timed is None else good & timed)
    registers: Registers = {}
    repeated = conflicts = 0
    for one in np.unique(key[rows]).tolist():
        mine = rows[key[rows] == one]
        registers[divmod(one, 65_536)] = register = _in_order(stamps.utc[mine], word[mine], lines[mine])
        repeated += mine.size - register.times.size
        kept = register.words[np.searchsorted(register.times, stamps.utc[mine])]
        conflicts += int(np.count_nonzero(kept != word[mine]))
    note = (f"{repeated} rows repeat a register at a time; {conflicts} differ, the later row was taken",)
    return registers, stamps.notes() + (note if repeated else ())


def _in_order(times: Seconds, words: Numbers, lines: Numbers) -> Register:
    order = np.argsort(times, kind="stable")
    last = np.append(np.diff(times[order]) > 0, True)  # of equal times the later row
    order = order[last]
    return Register(times[order], words[order].astype(np.uint16), lines[order])


def _whole(sheet: Sheet, column: str, largest: int, rejects: Rejects) -> tuple[Numbers, npt.NDArray[np.bool_]]:
    """A column of whole numbers, decimal or 0x hex, and which of its cells could be read."""
    texts = sheet.texts[column].to_pylist()
    known = {text: _whole_number(text, largest) for text in set(texts)}
    found = [known[text] for text in texts]
    for row, number in enumerate(found):
        if number is None:
            line = int(sheet.lines[row]) if sheet.lines is not None else None
            rejects.add(line, column, texts[row], f"expected a whole number from 0 to {largest}, decimal or 0x hex")
    ok = np.array([number is not None for number in found], bool)
    return np.array([number or 0 for number in found], np.int64), ok


def _whole_number(text: str, largest: int) -> int | None:
    hexadecimal = text[:2].lower() == "0x"
    digits = text[2:] if hexadecimal else text
    if not digits.isascii() or not digits.isalnum():
        return None
    try:
        number = int(digits, 16 if hexadecimal else 10)
    except ValueError:
        return None
    return number if number <= largest else None


def _series(point: RegisterPoint, registers: Registers, rejects: Rejects) -> Series | None:
    """One point's readings; a poll with only a part of its registers is set aside."""
    count = int(np.dtype(_DTYPES[point.type]).itemsize // 2)
    addresses = list(range(point.address, point.address + count))
    parts = {a: registers[point.unit_id, a] for a in addresses if (point.unit_id, a) in registers}
    channel = Channel(point.of, point.quantity, point.reads, point.unit)
    if not parts:
        where = f"register {point.address} of unit {point.unit_id}"
        rejects.add(
            None, "", where, f"{where} is nowhere in the file; {channel.quantity} of {channel.subject} needs it"
        )
        return None
    times = np.unique(np.concatenate([part.times for part in parts.values()]))
    whole = np.ones(times.size, bool)
    words = np.zeros((times.size, count), np.uint16)
    for column, address in enumerate(addresses):
        part = parts.get(address)
        present = np.isin(times, part.times) if part is not None else np.zeros(times.size, bool)
        if part is not None:
            words[present, column] = part.words
        whole &= present
    _reject_halves(point, times[~whole], addresses, parts, rejects)
    values = decode_words(words[whole], point.type, point.word_order)
    return Series(channel, times[whole], _scaled(values, times[whole], point, registers, rejects))


def _reject_halves(
    point: RegisterPoint, times: Seconds, addresses: list[int], parts: dict[int, Register], rejects: Rejects
) -> None:
    for time in times.tolist():
        there = {a: _at(part, time) for a, part in parts.items() if time in part.times}
        missing = ", ".join(str(a) for a in addresses if a not in there)
        line, word = next(iter(there.values()))
        rejects.add(
            line, "", str(word), f"half a value: register {missing} of unit {point.unit_id} is not in the same poll"
        )


def _at(register: Register, time: int) -> tuple[int, int]:
    place = int(np.searchsorted(register.times, time))
    return int(register.lines[place]), int(register.words[place])


def _scaled(values: Values, times: Seconds, point: RegisterPoint, registers: Registers, rejects: Rejects) -> Values:
    if not isinstance(point.scale, ScaleRegister):
        return scale_by(values, point.scale)
    register = registers.get((point.unit_id, point.scale.address))
    if register is None:
        where = f"register {point.scale.address} of unit {point.unit_id}"
        rejects.add(None, "", where, f"the scale {where} is nowhere in the file, so {point.of} has no value")
        return np.full(values.size, np.nan)
    powers = dict(zip(register.times.tolist(), register.words.astype(np.int16).tolist(), strict=True))
    scaled = np.full(values.size, np.nan)
    for row, time in enumerate(times.tolist()):
        power = powers.get(time)
        if power is not None and _SMALLEST_POWER <= power <= _LARGEST_POWER:
            scaled[row] = scale_by(values[row : row + 1], 10.0**power)[0]
        elif not np.isnan(values[row]) and power != -32_768:  # 0x8000: not implemented, as the value then is
            found = "missing" if power is None else f"{power}, outside {_SMALLEST_POWER} to {_LARGEST_POWER}"
            _reject_scale(point.scale.address, register, time, found, rejects)
    return scaled


def _reject_scale(address: int, register: Register, time: int, found: str, rejects: Rejects) -> None:
    line = _at(register, time)[0] if time in register.times else None
    rejects.add(line, "", found, f"the power of ten in register {address} is {found}; the value is not taken")
