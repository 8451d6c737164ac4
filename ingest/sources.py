"""The `[[source]]` part of a site file: which files, how their time reads, which columns mean what."""

from __future__ import annotations

import codecs
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import PurePosixPath
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ingest.quantities import QUANTITIES, UNITS, Reads, units_for
from ingest.readings import SUBJECT_FORMS, SUBJECT_PATTERN
from ingest.timeline import zone_of

EPOCHS = {"epoch_s": 1, "epoch_ms": 1000}  # formats that count from 1970-01-01 UTC: how many to a second
Marks = Literal["start", "end", "instant"]
NO_STRING = "-"  # in a list of inputs: not one of the site's strings
# Weather services: the steps that each gives, and what those that ask for a key want.
WEATHER_STEPS_MIN = {"nasa_power": (60,), "cams": (15, 60), "era5": (60,)}
WEATHER_KEYS = {"cams": "the e-mail address of your account", "era5": "your API key"}
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
    if form is not None and form not in EPOCHS and not _reads_back(form, datetime(2026, 11, 23, 17, 45)):
        raise ValueError(
            "expected a strptime format with year, month, day, hour and minute, such as %d/%m/%Y %H:%M, "
            "or epoch_s or epoch_ms"
        )
    return form


def check_day_format(form: str | None) -> str | None:
    """Return a time format that tells at least the day."""
    if form is not None and form not in EPOCHS and not _reads_back(form, datetime(2026, 11, 23)):
        raise ValueError("expected a strptime format with year, month and day, such as %d/%m/%Y %H:%M")
    return form


def check_clock_format(form: str) -> str:
    """Return a format of clock times in a header."""
    if not _reads_back(form, datetime(2026, 11, 23, 17, 45), as_moment=datetime(1900, 1, 1, 17, 45)):
        raise ValueError("expected a strptime format with hour and minute and no date, such as %H:%M")
    return form


def _reads_back(form: str, moment: datetime, *, as_moment: datetime | None = None) -> bool:
    """Whether a format reads what it writes of a moment as that moment (or as another one that it can tell)."""
    try:
        back = datetime.strptime(moment.replace(tzinfo=UTC).strftime(form), form)
    except ValueError:
        return False
    return back.replace(tzinfo=None) == (as_moment or moment)


def check_zone(name: str) -> str:
    """Return the name of a time zone that the system knows."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValueError("expected an IANA time zone such as Europe/London, or UTC") from None
    return name


def check_clock(name: str) -> str:
    """Return the name of a zone in which an export writes its times: a place's, or an offset that never changes."""
    try:
        zone_of(name)
    except (KeyError, ValueError, OSError):
        raise ValueError(
            "expected an IANA time zone such as Europe/London, UTC, or an offset for all the year such as +01:00"
        ) from None
    return name


def check_encoding(name: str | None) -> str | None:
    """Return the name of a way of writing texts that this system knows."""
    try:
        known = name is None or "a;1\n".encode(name).decode(name) == "a;1\n"
    except (LookupError, ValueError):
        known = False
    if not known:
        raise ValueError("expected an encoding such as utf-8, utf-16, cp1252 or iso-8859-15")
    return codecs.lookup(name).name if name is not None else None


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
    format: str | None = None  # strptime, epoch_s or epoch_ms; None: ISO 8601
    marks: Marks = "start"

    _zone = field_validator("zone")(check_clock)
    _format = field_validator("format")(check_format)

    @property
    def clock(self) -> str | None:
        """The column with the clock time, where that is another than the date's."""
        return None

    @model_validator(mode="after")
    def _epochs_are_utc(self) -> TimeSpec:
        if self.format in EPOCHS and self.zone != "UTC":
            raise ValueError(f"format {self.format!r} counts in UTC: expected zone = 'UTC'; found {self.zone!r}")
        return self


class TableTime(TimeSpec):
    """How a row's time stamp reads in a table: in one column, or the date in one and the clock time in another."""

    clock_column: str | None = Field(default=None, min_length=1)

    _format = field_validator("format")(check_day_format)

    @property
    def clock(self) -> str | None:
        """The column with the clock time, where that is another than the date's."""
        return self.clock_column

    @model_validator(mode="after")
    def _two_columns(self) -> TableTime:
        if self.clock_column == self.column:
            raise ValueError(f"clock_column: expected another column than {self.column!r}, which holds the date")
        if self.clock_column is not None and self.format in EPOCHS:
            raise ValueError(f"format {self.format!r} tells the clock time too: expected no clock_column")
        return self


class TextSpec(Strict):
    """How a file's text is written. What is declared here is not found out from the file."""

    encoding: str | None = None
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    decimal: Literal[".", ","] | None = None
    thousands: Literal[".", ",", " ", "'"] | None = None
    missing: tuple[str, ...] = ()  # beside the empty cell, -, n/a, NaN and the like

    model_config = ConfigDict(str_strip_whitespace=False)  # a blank may be a mark here

    _encoding = field_validator("encoding")(check_encoding)

    @field_validator("delimiter")
    @classmethod
    def _divides(cls, delimiter: str | None) -> str | None:
        if delimiter is not None and (not delimiter.isascii() or delimiter.isalnum() or delimiter in "\r\n\"'.:+-_"):
            raise ValueError("expected one character that stands in no number and no time, such as ; or , or a tab")
        return delimiter

    @model_validator(mode="after")
    def _marks_differ(self) -> TextSpec:
        if self.thousands is not None and self.decimal is None:
            raise ValueError("thousands needs decimal = '.' or ',' beside it, so that a number reads in one way only")
        if self.thousands is not None and self.thousands == self.decimal:
            raise ValueError(f"thousands and decimal are both {self.decimal!r}; expected two different marks")
        return self


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


class AcrossSpec(Measure):
    """A table with one row a day and a column an interval: every header that reads as a clock time is a reading."""

    of: str
    header: str = "%H:%M"

    _of = field_validator("of")(check_subject)
    _header = field_validator("header")(check_clock_format)


class RegisterColumns(Strict):
    """Names of the columns of a register dump, and how far apart the rows of one poll may be stamped."""

    unit_id: str
    address: str
    word: str
    tolerance_s: int = Field(default=5, ge=0, le=3600)


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


class Subjects(Strict):
    """Whom the models of a SunSpec device speak of."""

    inverter: str | None = Field(default=None, pattern=r"^inverter:.")
    inputs: tuple[str, ...] = ()  # the strings on the device's inputs, in the device's order
    meter: str | None = Field(default=None, pattern=r"^meter:.")
    generation: Literal["export", "import"] | None = None  # the register of a generation meter that counts what is made
    positive_power: Literal["export", "import"] | None = None  # the flow for which the meter's power is positive

    @property
    def named(self) -> tuple[str, ...]:
        """Every subject, each once."""
        named = (self.inverter, *self.inputs, self.meter)
        return tuple(dict.fromkeys(one for one in named if one is not None and one != NO_STRING))

    @model_validator(mode="after")
    def _somebody(self) -> Subjects:
        wrong = [one for one in self.inputs if one != NO_STRING and not one.startswith("string:")]
        if wrong:
            raise ValueError(f"inputs holds {wrong[0]!r}: expected string:ID, or {NO_STRING!r} for none")
        strings = [one for one in self.inputs if one != NO_STRING]
        if len(set(strings)) < len(strings):
            raise ValueError("inputs names a string twice; expected every string once")
        if not self.named:
            raise ValueError("expected inverter, inputs or meter")
        if self.meter is None and (self.generation or self.positive_power):
            raise ValueError("generation and positive_power tell of a meter; expected meter = 'meter:ID' beside them")
        return self


class _Source(Strict):
    id: Identifier
    interval_minutes: int = Field(ge=1, le=1440)


class _Files(_Source):
    files: str = Field(min_length=1)

    _files = field_validator("files")(check_pattern)


class TableSource(_Files):
    """Files with delimited text: wide (`columns`), long (`long`), or with a row a day (`across`)."""

    kind: Literal["table"]
    time: TableTime
    columns: tuple[ColumnSpec, ...] = ()
    long: LongSpec | None = None
    across: AcrossSpec | None = None
    text: TextSpec = TextSpec()

    @model_validator(mode="after")
    def _one_shape(self) -> TableSource:
        if sum((bool(self.columns), self.long is not None, self.across is not None)) != 1:
            raise ValueError("expected either columns or long or across, and only one of them")
        names = [c.column for c in self.columns]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"columns {', '.join(twice)} are listed twice")
        return self

    @model_validator(mode="after")
    def _time_fits(self) -> TableSource:
        form = self.time.format
        if self.across is None:
            _told("time.format", form, check_format)
        elif self.time.clock is not None:
            raise ValueError("across has the clock times in its header: expected no time.clock_column")
        elif form in EPOCHS or (form is not None and _reads_back(form, datetime(2026, 11, 23, 17, 45))):
            raise ValueError(f"time.format = {form!r}: expected a date alone beside across, such as %d/%m/%Y")
        return self


def _told(key: str, value: str | None, check: Callable[[str | None], object]) -> None:
    try:
        check(value)
    except ValueError as error:
        raise ValueError(f"{key} = {value!r}: {error}") from None


class _Registers(_Source):
    """What a device's registers mean: by a map of points, or by the SunSpec models that it holds."""

    map: tuple[RegisterPoint, ...] = ()
    model: Literal["sunspec"] | None = None
    base_address: int | None = Field(default=None, ge=0, le=65_533)  # of the model chain; None: 40000, 0 or 50000
    subjects: Subjects | None = None  # None: as the site file tells, where that leaves no choice

    @model_validator(mode="after")
    def _one_map(self) -> Self:
        if bool(self.map) == (self.model is not None):
            raise ValueError("expected either map or model, and not both")
        if self.map and (self.base_address is not None or self.subjects is not None):
            raise ValueError("base_address and subjects go with model = 'sunspec', and not with a map")
        return self


class RegisterSource(_Files, _Registers):
    """Files with one register a row."""

    kind: Literal["registers"]
    time: TimeSpec
    registers: RegisterColumns
    unit_id: int | None = Field(default=None, ge=0, le=255)  # with model: whose chain; None: the only one that has one

    @model_validator(mode="after")
    def _polls_stay_apart(self) -> Self:
        if self.map and self.unit_id is not None:
            raise ValueError("unit_id goes with model = 'sunspec'; every point of a map has its own")
        if self.registers.tolerance_s * 2 >= self.interval_minutes * 60:
            raise ValueError(
                f"registers.tolerance_s = {self.registers.tolerance_s}: expected less than half the interval, "
                f"which is {self.interval_minutes * 30} s"
            )
        return self


class BusSource(_Registers):
    """A device polled live over Modbus TCP; its registers are read and never written."""

    kind: Literal["modbus_tcp"]
    host: str = Field(min_length=1)
    port: int = Field(default=502, ge=1, le=65535)
    unit_id: int = Field(default=1, ge=0, le=255)
    function: Literal["holding", "input"] = "holding"
    timeout_s: float = Field(default=3.0, ge=0.1, le=30.0)  # how long one answer is waited for
    retries: int = Field(default=2, ge=0, le=5)  # of each request


class WeatherServiceSource(_Source):
    """Weather of the site's place, fetched from a service on the internet."""

    kind: Literal["weather_service"]
    service: Literal["nasa_power", "cams", "era5"]
    interval_minutes: int = Field(default=60, ge=1, le=1440)
    key_env: str | None = Field(default=None, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")  # the variable that holds the key
    url: str | None = None  # of a mirror; None: the service's own
    timeout_s: float = Field(default=30.0, ge=0.1, le=300.0)  # how long the service may be silent
    history_days: int = Field(default=60, ge=1, le=366)  # how far back the first fetch reaches
    again_days: int = Field(default=10, ge=1, le=90)  # so many of the last days are provisional, and fetched again
    min_hours_between: int = Field(default=12, ge=1, le=168)

    @field_validator("url")
    @classmethod
    def _is_plain(cls, url: str | None) -> str | None:
        if url is not None and not _is_address(url):
            raise ValueError("expected an address such as https://mirror.example.org/path, without user, ? and #")
        return url

    @model_validator(mode="after")
    def _service_fits(self) -> Self:
        steps = WEATHER_STEPS_MIN[self.service]
        if self.interval_minutes not in steps:
            wanted = " or ".join(map(str, steps))
            raise ValueError(f"interval_minutes = {self.interval_minutes}: {self.service} expects {wanted}")
        what = WEATHER_KEYS.get(self.service)
        if what is not None and self.key_env is None:
            raise ValueError(
                f"key_env: missing; {self.service} expects the name of the environment variable that holds {what}"
            )
        if what is None and self.key_env is not None:
            raise ValueError(f"key_env: {self.service} needs no key; expected no such key")
        return self


def _is_address(url: str) -> bool:
    try:
        parts = urlsplit(url)
        plain = parts.port != 0 and parts.username is None and not (parts.query or parts.fragment)
    except ValueError:
        return False
    return plain and parts.scheme in {"http", "https"} and bool(parts.hostname)


Source = Annotated[TableSource | RegisterSource | BusSource | WeatherServiceSource, Field(discriminator="kind")]
FileSource = TableSource | RegisterSource


def points_of(source: Source) -> tuple[ColumnSpec | AcrossSpec | RegisterPoint, ...]:
    """What a source measures of which subject, as far as the site file names it.

    Of a long table, of a device that tells it by its models, and of a weather service that is nothing.
    """
    if isinstance(source, TableSource):
        return (source.across,) if source.across is not None else source.columns
    return source.map if isinstance(source, RegisterSource | BusSource) else ()


def subjects_of(source: Source) -> tuple[str, ...]:
    """Subjects that a source names in the site file (a long table names none)."""
    if isinstance(source, RegisterSource | BusSource) and source.subjects is not None:
        return source.subjects.named
    return tuple(point.of for point in points_of(source))
