"""What the looks at a sample share: all that is known of it, and the form of a hint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.draft.daylight import Elevation
from ingest.readings import ReadResult, Seconds, Values
from ingest.sources import FileSource
from monitor.config import Site
from monitor.jobs.sample_figures import DayEnergy, Span


@dataclass(frozen=True, slots=True)
class Hint:
    """One thing to look at: `kind` for programs, `text` for people."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """A file's readings as its source gives them, and what is known of the roof."""

    site: Site
    source: FileSource
    result: ReadResult
    span: Span
    days: tuple[DayEnergy, ...]
    elevation: Elevation

    @property
    def interval_s(self) -> int:
        """The declared interval [s]."""
        return self.source.interval_minutes * 60


def rated_w(site: Site, subject: str) -> float | None:
    """Nameplate DC power behind what a subject can produce [W]; None where nothing limits it by the roof."""
    strings = {f"string:{s.id}": s for s in site.string}
    kind, _, name = subject.partition(":")
    if subject in strings:
        return strings[subject].rated_w
    if kind == "module":
        string = strings.get(f"string:{name.partition('/')[0]}")
        return string.module.pmp_w if string is not None else None
    if kind == "inverter":
        return sum(s.rated_w for s in site.strings_of(name)) or None
    meter = next((m for m in site.meter if kind == "meter" and m.id == name and m.role == "generation"), None)
    if meter is None:
        return None
    return rated_w(site, f"inverter:{meter.inverter}") if meter.inverter else sum(s.rated_w for s in site.string)


def falls(values: Values) -> npt.NDArray[np.intp]:
    """Places at which a register stands lower than before."""
    return np.flatnonzero(np.diff(values) < 0) + 1


def middles(starts: Seconds, interval_s: int) -> Seconds:
    """The middle of each interval."""
    return starts + interval_s // 2
