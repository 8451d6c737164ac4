"""The `[[source]]` part of a site file: which files, how their time reads, which columns mean what."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ingest.quantities import QUANTITIES, UNITS, Reads, units_for
from ingest.readings import SUBJECT_FORMS, SUBJECT_PATTERN

Marks = Literal["start", "end", "instant"]
Identifier = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,62}$")]


class Strict(BaseModel):
    """Frozen, and no key is taken that is not known."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def check_pattern(pattern: str) -> str:
    """Return a file pattern that stays inside the fleet folder."""
    parts = PurePosixPath(pattern).parts
    if not parts or parts[0] == "/" or ".." in parts:
        raise ValueError("expected a path inside the fleet folder, such as incoming/*.csv")
    if any("**" in part and part != "**" for part in parts):
        raise ValueError("expected ** to stand alone between slashes, such as incoming/**/*.csv")
    return pattern


def check_format(form: str | None) -> str | None:
    """Return a time format that tells the minute: what it writes, it must read back."""
    moment = datetime(2026, 11, 23, 17, 45, tzinfo=UTC)
    try:
        back = datetime.strptime(moment.strftime(form), form) if form is not None else moment
    except ValueError:
        back = None
    if back is None or back.replace(tzinfo=UTC) != moment:
        raise ValueError("expected a strptime format with year, month, day, hour and minute, such as %d/%m/%Y %H:%M")
    return form


def check_zone(name: str) -> str:
    """Return the name of a time zone that the system knows."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("expected an IANA time zone such as Europe/London, or UTC") from None
    return name


def check_quantity(name: str) -> str:
    """Return the name of a known quantity."""
    if name not in QUANTITIES:
        raise ValueError(f"expected one of {', '.join(QUANTITIES)}")
    return name


def check_unit(name: str) -> str:
    """Return the name of a known unit."""
    if name not in UNITS:
        raise ValueError(f"expected one of {', '.join(UNITS)}")
    return name


def check_subject(name: str) -> str:
    """Return a subject in one of the known forms."""
    if not SUBJECT_PATTERN.match(name):
        raise ValueError(f"expected one of {SUBJECT_FORMS}")
    return name


class TimeSpec(Strict):
    """How a row's time stamp reads."""

    column: str = Field(min_length=1)
    zone: str
    format: str | None = None  # strptime; None: ISO 8601
    marks: Marks = "start"

    _zone = field_validator("zone")(check_zone)
    _format = field_validator("format")(check_format)


class Measure(Strict):
    """What a number means, wherever it stands."""

    quantity: str
    unit: str = "1"
    reads: Reads = "mean"

    _quantity = field_validator("quantity")(check_quantity)
    _unit = field_validator("unit")(check_unit)

    @model_validator(mode="after")
    def _unit_fits(self) -> Measure:
        fitting = units_for(self.quantity)
        if self.unit not in fitting:
            raise ValueError(f"unit {self.unit!r} does not fit {self.quantity}: expected {' or '.join(fitting)}")
        if self.reads != "mean" and QUANTITIES[self.quantity].dimension != "energy":
            raise ValueError(f"reads = {self.reads!r} is for energies; {self.quantity} can only be a mean")
        if self.reads == "mean" and QUANTITIES[self.quantity].dimension == "energy":
            raise ValueError(f"{self.quantity} needs reads = 'interval' or 'counter'; found 'mean' (the default)")
        return self


class ColumnSpec(Measure):
    """One column of a wide table."""

    column: str = Field(min_length=1)
    of: str

    _of = field_validator("of")(check_subject)


class LongSpec(Measure):
    """A table with one row a reading: `pattern` turns the subject cell into string and module."""

    subject: str = Field(min_length=1)
    value: str = Field(min_length=1)
    pattern: str = "{string}-{module}"

    @field_validator("pattern")
    @classmethod
    def _parts(cls, pattern: str) -> str:
        if pattern.count("{string}") != 1 or pattern.count("{module}") != 1:
            raise ValueError("expected {string} and {module} once each, such as {string}-{module}")
        return pattern


class RegisterColumns(Strict):
    """Names of the columns of a register dump."""

    unit_id: str
    address: str
    word: str


class ScaleRegister(Strict):
    """A signed power-of-ten scale-factor register."""

    address: int = Field(ge=0, le=65535)


class RegisterPoint(Measure):
    """One value in a device's registers."""

    unit_id: int = Field(ge=0, le=255)
    address: int = Field(ge=0, le=65535)
    type: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"]
    word_order: Literal["big", "little"] = "big"
    scale: float | ScaleRegister = 1.0
    of: str

    _of = field_validator("of")(check_subject)


class _Source(Strict):
    id: Identifier
    interval_minutes: int = Field(ge=1, le=1440)


class _Files(_Source):
    files: str = Field(min_length=1)

    _files = field_validator("files")(check_pattern)


class TableSource(_Files):
    """Files with delimited text: wide (`columns`) or long (`long`)."""

    kind: Literal["table"]
    time: TimeSpec
    columns: tuple[ColumnSpec, ...] = ()
    long: LongSpec | None = None

    @model_validator(mode="after")
    def _one_shape(self) -> TableSource:
        if bool(self.columns) == (self.long is not None):
            raise ValueError("expected either columns or long, and not both")
        names = [c.column for c in self.columns]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"columns {', '.join(twice)} are listed twice")
        return self


class RegisterSource(_Files):
    """Files with one register a row."""

    kind: Literal["registers"]
    time: TimeSpec
    registers: RegisterColumns
    map: tuple[RegisterPoint, ...] = ()
    model: Literal["sunspec"] | None = None
    unit_id: int | None = Field(default=None, ge=0, le=255)

    @model_validator(mode="after")
    def _one_map(self) -> RegisterSource:
        if bool(self.map) == (self.model is not None):
            raise ValueError("expected either map or model, and not both")
        return self


class BusSource(_Source):
    """A device polled live over Modbus TCP; its registers are read and never written."""

    kind: Literal["modbus_tcp"]
    host: str = Field(min_length=1)
    port: int = Field(default=502, ge=1, le=65535)
    unit_id: int = Field(default=1, ge=0, le=255)
    function: Literal["holding", "input"] = "holding"
    timeout_s: float = Field(default=3.0, ge=0.1, le=30.0)  # how long one answer is waited for
    retries: int = Field(default=2, ge=0, le=5)  # of each request
    map: tuple[RegisterPoint, ...] = ()
    model: Literal["sunspec"] | None = None

    @model_validator(mode="after")
    def _one_map(self) -> BusSource:
        if bool(self.map) == (self.model is not None):
            raise ValueError("expected either map or model, and not both")
        return self


Source = Annotated[TableSource | RegisterSource | BusSource, Field(discriminator="kind")]
FileSource = TableSource | RegisterSource


def subjects_of(source: TableSource | RegisterSource | BusSource) -> tuple[str, ...]:
    """Subjects that a source names in the site file (a long table names none)."""
    if isinstance(source, TableSource):
        return tuple(c.of for c in source.columns)
    return tuple(p.of for p in source.map)
