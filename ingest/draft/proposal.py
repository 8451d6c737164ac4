"""What a draft is made of: what is known of the roof, what was decided and why, and what is left to a person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from ingest.draft.daylight import Elevation

Sure = Literal["decided", "proposed", "open"]


@dataclass(frozen=True, slots=True)
class Roof:
    """What is known of a site, as far as a draft can use it; ratings in W."""

    site: str
    zone: str
    elevation: Elevation
    strings: Mapping[str, float]
    inverters: Mapping[str, float]
    meters: Mapping[str, str]  # id to role: generation or grid
    parts: frozenset[str] = frozenset()  # of battery, diverter, charger
    sources: frozenset[str] = frozenset()  # ids that are taken

    @property
    def rated_w(self) -> float:
        """Nameplate of all strings."""
        return sum(self.strings.values())


@dataclass(frozen=True, slots=True)
class Told:
    """One answer with its evidence.

    `decided`: the file proves it. `proposed`: likely, and the line says that nothing proves it. `open`: a person has
    to choose among `options`.
    """

    value: Any
    why: str
    sure: Sure = "decided"
    options: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ColumnDraft:
    """One column: its keys as far as they are known. `is_reading` is false for what no quantity of ours holds."""

    column: str
    quantity: str | None = None
    of: str | None = None
    unit: str | None = None
    reads: str = "mean"
    why: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()  # what a person has to decide, each with its choices
    is_reading: bool = True

    @property
    def decided(self) -> bool:
        """Whether the line can be used as it is."""
        return self.is_reading and not self.missing and None not in (self.quantity, self.of, self.unit)


@dataclass(frozen=True, slots=True)
class TimeDraft:
    """The time of the rows: one form, or those between which the file does not tell."""

    column: str
    clock_column: str | None
    formats: tuple[str | None, ...]  # None: ISO 8601
    form_why: str
    zone: Told
    marks: Told


@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted source: its text, how many lines are left to a person, and what else that person should know."""

    toml: str
    open_lines: int
    notes: tuple[str, ...] = field(default=())
