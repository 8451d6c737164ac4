"""What a reader gives back: rectangular tables of readings, and the rows it could not read."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ingest.quantities import UNITS, Reads

Seconds = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SUBJECT_PATTERN = re.compile(
    r"^(site|battery|diverter|charger"
    r"|(inverter|string|meter|source):[A-Za-z0-9_.-]+"
    r"|module:[A-Za-z0-9_.-]+/[0-9]{2,3})$"
)
SUBJECT_FORMS = "site, inverter:ID, string:ID, module:STRING/NN, meter:ID, battery, diverter, charger, source:ID"


@dataclass(frozen=True, slots=True, order=True)
class Channel:
    """One stream of readings of a source: whose, what, how it reads, and the unit as recorded."""

    subject: str
    quantity: str
    reads: Reads
    unit: str

    @property
    def factor(self) -> float:
        """Factor from the recorded unit to the unit used inside."""
        return UNITS[self.unit].factor


@dataclass(frozen=True, slots=True)
class Table:
    """Readings that share one time axis.

    `starts` are the interval starts in UTC epoch seconds, strictly increasing. Every column has the same length;
    NaN is a gap. Values are kept as recorded, in the channel's unit. A counter's value is the register at the
    interval's end.
    """

    starts: Seconds
    columns: dict[Channel, Values]


@dataclass(frozen=True, slots=True)
class Reject:
    """A piece of input that was set aside: where it stands, what it says, why it was not taken."""

    file: str
    line: int | None  # 1-based line of the file as a text editor shows it; None: the whole file
    field: str  # column name, or "" when the row or the file is meant
    text: str  # what was found, shortened
    reason: str  # a full sentence part: what is wrong and what was expected


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a file was found to be written; nothing of it is guessed where it would change a number."""

    encoding: str  # as found: utf-8, utf-16, utf-16-le, utf-16-be or cp1252; or as declared
    delimiter: str
    decimal: str  # "." or ","; "?" where commas stand and nothing tells what they are
    header_line: int  # 1-based
    columns: tuple[str, ...]  # every name of the header


@dataclass(frozen=True, slots=True)
class ReadResult:
    """All of one file: its readings, its rejects, and how many data rows it had."""

    tables: tuple[Table, ...]
    rejects: tuple[Reject, ...]
    rows: int
    notes: tuple[str, ...] = field(default=())  # what a person should know but nothing was lost by
    dialect: Dialect | None = None  # None: the file was refused before its header was found
    conflicts: int = 0  # cells that differ from those of an earlier row of the same time; the later row was taken
