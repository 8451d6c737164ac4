"""What earlier nights left behind about a site: day notes, gains learned from them, the usual sky."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from ingest.readings import Seconds, Values
from monitor.model.calibration import Outcome
from monitor.model.gain import NAMEPLATE, DayRatio, Gains, learn_gains
from monitor.model.ladder import SOURCES, RungName

# Nights that are remembered; learning is over well before.
MEMORY_DAYS = 120
_USUAL_INDEX_DAYS = 60
_EXPERIENCE_DAYS = 90
# Feature of a day's deviation to the source that the day rested on.
_DEVIATIONS: dict[str, RungName] = {f"off:{source}": source for source in SOURCES.values()}
# All-year mean clear-sky index of temperate places (from memory); the site's own takes over after ten days.
_USUAL_INDEX = 0.6


@dataclass(frozen=True, slots=True)
class DayNote:
    """One subject's day: energies [kWh], the share of expected energy with readings, and numbers to learn from."""

    day: date
    subject: str
    expected_kwh: float | None
    expected_low_kwh: float | None
    expected_high_kwh: float | None
    usable: float
    features: Mapping[str, float | None]


@dataclass(slots=True)
class SiteHistory:
    """Day notes of a site, oldest first by subject, and gains that were frozen with the day from which they hold."""

    notes: dict[str, list[DayNote]] = field(default_factory=dict)
    frozen: dict[str, tuple[date, Gains]] = field(default_factory=dict)

    def add(self, notes: Iterable[DayNote]) -> None:
        """Take one more night's notes."""
        for note in notes:
            kept = self.notes.setdefault(note.subject, [])
            kept.append(note)
            del kept[:-MEMORY_DAYS]

    def gains(self, subject: str, day: date) -> Gains:
        """Gains of a subject as they were known before a day."""
        if subject in self.frozen and self.frozen[subject][0] < day:
            return self.frozen[subject][1]
        learning = [n for n in self.notes.get(subject, ()) if n.day < day and n.features.get("learn")]
        return learn_gains([_ratio(n) for n in learning]) if learning else NAMEPLATE

    def experience(self, subject: str) -> dict[RungName, list[Outcome]]:
        """How the expectations of a subject's days without a finding came out, by source."""
        found: dict[RungName, list[Outcome]] = {}
        for note in self.notes.get(subject, ())[-_EXPERIENCE_DAYS:]:
            clearness = note.features.get("clearness")
            for name, source in _DEVIATIONS.items():
                deviation = note.features.get(name)
                if deviation is not None and clearness is not None:
                    found.setdefault(source, []).append(Outcome(deviation, clearness))
        return found

    def usual_index(self) -> float:
        """Median of the site's daily clear-sky index over the last two months."""
        recent = [n.features.get("index") for n in self.notes.get("site", ())[-_USUAL_INDEX_DAYS:]]
        known = [index for index in recent if index is not None]
        return float(np.median(known)) if len(known) >= 10 else _USUAL_INDEX

    def suspected(self, subject: str, cause: str) -> Sequence[date]:
        """Nights of trouble in a row up to now, newest first; nights that could not judge are skipped over."""
        found: list[date] = []
        for note in reversed(self.notes.get(subject, ())[-14:]):
            says = note.features.get(f"says:{cause}")
            if says == 0.0:
                break
            if says == 1.0:
                found.append(note.day)
        return found

    def silent_nights(self, source: str, below: float) -> int:
        """Nights in a row up to now on which a source was hardly heard; dark days are skipped over."""
        count = 0
        for note in reversed(self.notes.get(f"source:{source}", ())):
            heard = note.features.get("heard")
            if heard is not None and heard >= below:
                break
            count += heard is not None
        return count

    def between(self, subject: str, first: date, last: date) -> list[DayNote]:
        """Notes of a subject over some days."""
        return [n for n in self.notes.get(subject, ()) if first <= n.day <= last]

    def series(self, subject: str, feature: str) -> tuple[Seconds, Values]:
        """Day ordinals and values of a feature, oldest first; days without it are left out."""
        kept = [
            (n.day.toordinal(), v) for n in self.notes.get(subject, ()) if (v := n.features.get(feature)) is not None
        ]
        return np.array([d for d, _ in kept], np.int64), np.array([v for _, v in kept], np.float64)

    def last_day(self) -> date | None:
        """The newest night that left notes."""
        site = self.notes.get("site")
        return site[-1].day if site else None


def memory_start(first: date) -> date:
    """The earliest day whose notes matter for nights from `first` on."""
    return first - timedelta(MEMORY_DAYS)


def _ratio(note: DayNote) -> DayRatio:
    return DayRatio(*(note.features.get(name) for name in ("clear_sky", "sensor", "weather")))
