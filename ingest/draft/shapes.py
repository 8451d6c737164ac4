"""Tables that are not wide: one row a module, or one row a register read."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.draft.sheet import Sheet, numeric_share
from ingest.draft.words import plain_words
from ingest.readers.numbers import MISSING

Numbers = npt.NDArray[np.int64]
_SUBJECT = re.compile(r"^(?P<before>.*?)(?P<string>[A-Za-z0-9]+)(?P<joint>[^A-Za-z0-9]{1,3})(?P<module>\d{1,3})$")
_MOST_SUBJECTS, _MOST_REGISTERS, _MOST_POWER = 500, 4000, 10
_WORDS = {
    "unit_id": ("unit", "slave", "device", "unitid", "geraet", "esclave", "esclavo", "id"),
    "address": ("address", "register", "addr", "adresse", "registre", "direccion", "reg"),
    "word": ("word", "value", "raw", "wert", "hex", "valeur", "valor", "data"),
}
_LARGEST = {"unit_id": 255, "address": 65_535, "word": 65_535}
_WHOLE = re.compile(r"^(0[xX][0-9a-fA-F]{1,4}|\d{1,5})$")


@dataclass(frozen=True, slots=True)
class Modules:
    """A column whose cells name modules, by which pattern, and of which strings."""

    place: int
    pattern: str
    strings: frozenset[str]
    count: int


@dataclass(frozen=True, slots=True)
class Dump:
    """Places of the columns of a register dump, and what its cells are as numbers."""

    places: dict[str, int]
    unit_ids: Numbers
    addresses: Numbers
    words: Numbers


def find_modules(sheet: Sheet) -> Modules | None:
    """The column that names modules in every row; None when there is none."""
    for place, column in enumerate(sheet.columns):
        names = set(column)
        if not 2 <= len(names) <= min(_MOST_SUBJECTS, max(sheet.rows // 2, 2)) or numeric_share(column) > 0.5:
            continue
        matches = [match for text in names if (match := _SUBJECT.match(text))]
        joints = {(m["before"], m["joint"]) for m in matches}
        if len(matches) == len(names) and len(joints) == 1:
            before, joint = joints.pop()
            strings = frozenset(m["string"] for m in matches)
            return Modules(place, f"{before}{{string}}{joint}{{module}}", strings, len(names))
    return None


def find_dump(sheet: Sheet, *, time: str) -> Dump | None:
    """The columns of a register dump by their names and numbers; None when it is none."""
    places: dict[str, int] = {}
    for key, known in _WORDS.items():
        fitting = [
            place
            for place, name in enumerate(sheet.names)
            if name != time and place not in places.values() and set(plain_words(name)) & set(known)
            if _whole_numbers(sheet.columns[place], _LARGEST[key]) is not None
        ]
        if not fitting:
            return None
        places[key] = fitting[0]
    found = {key: _whole_numbers(sheet.columns[place], _LARGEST[key]) for key, place in places.items()}
    unit_ids, addresses, words = found["unit_id"], found["address"], found["word"]
    if unit_ids is None or addresses is None or words is None or np.unique(addresses).size > _MOST_REGISTERS:
        return None
    return Dump(places, unit_ids, addresses, words)


def holds_sunspec(dump: Dump) -> bool:
    """Whether the marker of the open SunSpec model chain ("SunS" in two registers) stands anywhere."""
    pairs = set(zip(dump.unit_ids.tolist(), dump.addresses.tolist(), dump.words.tolist(), strict=True))
    return any((unit, address + 1, 0x6E53) in pairs for unit, address, word in pairs if word == 0x5375)


def register_lines(dump: Dump) -> list[str]:
    """What each register, or pair of registers, looks like: lines of a comment."""
    lines, paired = [], set()
    for unit, address in sorted(set(zip(dump.unit_ids.tolist(), dump.addresses.tolist(), strict=True))):
        if (unit, address) in paired:
            continue
        words = _words(dump, unit, address)
        low = _words(dump, unit, address + 1)
        if low.size == words.size and _is_high_word(words, low):
            paired.add((unit, address + 1))
            value = words.astype(np.int64) * 65_536 + low
            lines.append(_register_line(unit, address, "uint32", value))
        else:
            kind = "int16" if np.any(words >= 0xF000) else "uint16"
            value = np.where(words >= 0x8000, words - 65_536, words) if kind == "int16" else words
            lines.append(_register_line(unit, address, kind, value))
    return lines


def _register_line(unit: int, address: int, kind: str, value: Numbers) -> str:
    rises = value.size > 2 and bool(np.all(np.diff(value) >= 0)) and value[-1] > value[0]
    course = f"{value[0]} to {value[-1]}, only rises: a counter?" if rises else f"{value.min()} to {value.max()}"
    if value.min() == value.max() and abs(int(value.min())) <= _MOST_POWER:
        course = f"always {value.min()}: a power of ten for another register?"
    where = f'unit_id = {unit}, address = {address}, type = "{kind}", scale = 1'
    meaning = 'quantity = "?", of = "?", unit = "?"' + (', reads = "counter"' if rises else "")
    return f"{{ {where}, {meaning} }},  # {value.size} reads: {course}"


def _words(dump: Dump, unit: int, address: int) -> Numbers:
    return np.asarray(dump.words[(dump.unit_ids == unit) & (dump.addresses == address)])


def _is_high_word(high: Numbers, low: Numbers) -> bool:
    """Two neighbours that rise together as one number, the first of them small and slow."""
    value = high.astype(np.int64) * 65_536 + low
    return bool(value.size > 2 and np.all(np.diff(value) >= 0) and value[-1] > value[0] and high.max() < 0x8000)


def _whole_numbers(column: Sequence[str], largest: int) -> Numbers | None:
    cells = [cell for cell in column if cell not in MISSING]
    if not cells or not all(_WHOLE.match(cell) for cell in cells) or len(cells) < len(column):
        return None
    numbers = np.array([int(cell, 16) if cell[:2].lower() == "0x" else int(cell) for cell in cells], np.int64)
    return numbers if numbers.max() <= largest else None
