"""How exports look: times, delimiters, decimal marks, and what stands around the rows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np


@dataclass(frozen=True, slots=True)
class Dialect:
    """The manners of one kind of export. The parts of a time are put together as date + joint + clock + tail."""

    time_column: str
    date_form: str
    joint: str
    clock_form: str
    tail: str
    zone: str
    marks: Literal["start", "end", "instant"]
    delimiter: str = ","
    decimal: str = "."
    quoted: bool = False
    mark_bytes: bytes = b""
    line_end: str = "\n"
    preamble: tuple[str, ...] = ()
    footer: str = ""
    extra: tuple[str, str] | None = None  # a column that nobody asked for, and what stands in it
    files: Literal["month", "day"] = "month"
    wording: int = 0

    @property
    def time_format(self) -> str | None:
        """The format for a site file; None for ISO 8601."""
        iso = self.date_form == "%Y-%m-%d"
        return None if iso else f"{self.date_form}{self.joint}{self.clock_form}"

    def name(self, what: str, number: int, unit: str) -> str:
        """A column's name: `what` is a key of WORDINGS."""
        return WORDINGS[what][self.wording].format(n=number, unit=unit)


WORDINGS = {
    "dc_voltage": ("String {n} V", "U dc {n} [{unit}]", "dc{n}_voltage_v"),
    "dc_current": ("String {n} A", "I dc {n} [{unit}]", "dc{n}_current_a"),
    "dc_power": ("String {n} power", "P dc {n} [{unit}]", "dc{n}_power"),
    "ac_power": ("AC power {unit}", "P ac [{unit}]", "ac_power"),
    "ac_energy": ("Energy counter {unit}", "E total [{unit}]", "energy_counter"),
    "ac_voltage": ("Mains volts", "U ac [{unit}]", "ac_voltage_v"),
}

PLAIN_UTC = Dialect("time_utc", "%Y-%m-%d", "T", "%H:%M:%S", "Z", "UTC", "start", wording=2)


def draw_dialects(rng: np.random.Generator, zone: str) -> tuple[Dialect, ...]:
    """The dialects of a fleet in a shuffled order, each a little different every time."""
    serial = f"{rng.integers(1000, 9999)}-{rng.integers(10, 99)}"
    kinds = [
        PLAIN_UTC,
        Dialect("Time", "%d/%m/%Y", " ", "%H:%M", "", zone, "end", extra=("Mode", "RUN")),
        Dialect(
            "Date and time", "%d.%m.%Y", " ", "%H:%M:%S", "", zone, "start", delimiter=";", decimal=",",
            mark_bytes=b"\xef\xbb\xbf", line_end="\r\n", footer="-- end of export, {rows} rows --", wording=1,
        ),
        Dialect(
            "Reading at", "%d/%m/%Y", " ", "%I:%M %p", "", zone, "end", quoted=True,
            preamble=("Roof export", f"Serial,{serial}", ""), footer="-- end of export, {rows} rows --",
        ),
        Dialect("Local time", "%Y-%m-%d", " ", "%H:%M:%S", "", zone, "start", delimiter=";", line_end="\r\n"),
        Dialect("Interval", "%Y-%m-%d", " ", "%H:%M", "", "UTC", "end", delimiter="\t", wording=1),
    ]  # fmt: skip
    names = ("Time", "Timestamp", "Date", "Recorded", "Logged at")
    order = rng.permutation(len(kinds))
    return tuple(
        kinds[i]
        if kinds[i] is PLAIN_UTC
        else replace(kinds[i], time_column=str(rng.choice([kinds[i].time_column, *names])))
        for i in order
    )
