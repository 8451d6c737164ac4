"""What earlier nights left behind about a site: numbers of its days, gains learned from them, the usual sky."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np

from ingest.readings import Values
from monitor.model.calibration import Outcomes
from monitor.model.gain import NAMEPLATE, ONCE_LEARNED_SIGMA, DayRatio, Gains, learn_gains
from monitor.model.ladder import SOURCES, RungName
from monitor.model.learned_sky import LearnedSky
from monitor.model.middle import median
from monitor.model.numbers import Nights, NumberStore, Ordinals

# Days that are remembered, for troubles that grow over more than a year.
MEMORY_DAYS = 450
# Nights that gains, trust and levels are learned from.
RECENT_NIGHTS = 120
_USUAL_INDEX_DAYS = 60
_EXPERIENCE_DAYS = 90
_SUSPECTED_NIGHTS = 14
# Feature of a day's deviation to the source that the day rested on.
_DEVIATIONS: dict[str, RungName] = {f"off:{source}": source for source in SOURCES.values()}
# All-year mean clear-sky index of temperate places (from memory); the site's own takes over after ten days.
_USUAL_INDEX = 0.6
# Figures of a note that are kept beside its features, under their own names.
_ENERGIES = ("expected_kwh", "expected_low_kwh", "expected_high_kwh", "measured_kwh", "usable")
_NONE = NumberStore()


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
    measured_kwh: float | None = None


@dataclass(frozen=True, slots=True)
class Epoch:
    """From which day on (ordinal) a subject is a new one, the how manieth, and why.

    After a repair its earlier days say nothing of what it should do; `accepted` when nothing was repaired, but what it
    does is no fault.
    """

    first: int
    number: int
    accepted: bool


@dataclass(slots=True)
class SiteHistory:
    """Numbers of a site's days by subject, and what was concluded from more nights than are remembered.

    `frozen` are gains beside open tables with the day from which they hold, `skies` the newest map of each subject,
    `doubted` planes that do not lie as the site file says, by the newest look at their power.

    Numbers are kept with 24 bits, in memory that does not grow once `MEMORY_DAYS` are full.
    """

    kept: dict[str, NumberStore] = field(default_factory=dict)
    frozen: dict[str, tuple[date, Gains]] = field(default_factory=dict)
    skies: dict[str, LearnedSky] = field(default_factory=dict)
    doubted: frozenset[str] = frozenset()
    epochs: Mapping[str, Epoch] = field(default_factory=dict)  # as of the coming night; none for a subject's first

    def add(self, notes: Iterable[DayNote]) -> None:
        """Take one more night's notes."""
        newest = 0
        for note in notes:
            energies = {name: getattr(note, name) for name in _ENERGIES}
            day = note.day.toordinal()
            if note.subject not in self.kept:
                self.kept[note.subject] = NumberStore()
            self.kept[note.subject].add(day, {**note.features, **energies})
            newest = max(newest, day)
        for subject in list(self.kept):
            self.kept[subject].forget(newest - MEMORY_DAYS + 1)
            if not len(self.kept[subject]):
                del self.kept[subject]

    def subjects(self) -> tuple[str, ...]:
        """Subjects of which anything is remembered: `site`, strings, inverters, meters, sources."""
        return tuple(self.kept)

    def series(self, subject: str, feature: str) -> tuple[Ordinals, Values]:
        """One number of a subject over all that is remembered of its epoch, oldest first.

        Parameters
        ----------
        subject : str
            As in the daily rows.
        feature : str
            A feature, or one of `expected_kwh`, `expected_low_kwh`, `expected_high_kwh`, `measured_kwh`, `usable`.

        Returns
        -------
        days : array of shape (N,)
            Ordinals as of `date.toordinal`, of the days on which the number was kept and is not None.
        values : array of shape (N,)
            The number on these days.
        """
        store = self.kept.get(subject, _NONE)
        nights = store.nights()
        if feature not in nights.at:
            return store.days[:0], np.zeros(0)
        values = nights.column(feature)
        known = ~np.isnan(values)
        if subject in self.epochs:
            known &= store.days >= self.epochs[subject].first
        return store.days[known], values[known]

    def nights(self, subject: str, most: int = RECENT_NIGHTS) -> Nights:
        """All numbers of a subject's last nights."""
        return self.kept.get(subject, _NONE).nights().newest(most)

    def gains(self, subject: str, day: date) -> Gains:
        """Gains of a subject beside its open table, as they were known before a day.

        In a new epoch those of the one before serve, with less trust, until the new ones are learned.
        """
        frozen = self.frozen.get(subject)
        earlier = frozen[1] if frozen is not None and frozen[0] < day else None
        if earlier is not None and self.is_settled(subject):
            return earlier
        learned = self._learned(subject, day)
        if earlier is not None and not learned.complete:
            return replace(earlier, sigma=max(earlier.sigma, ONCE_LEARNED_SIGMA), complete=False)
        return learned

    def is_settled(self, subject: str) -> bool:
        """Whether a subject's gains of its present epoch are frozen."""
        return subject in self.frozen and self.frozen[subject][0].toordinal() >= self._begin(subject)

    def _begin(self, subject: str) -> int:
        return self.epochs[subject].first if subject in self.epochs else 0

    def _learned(self, subject: str, day: date) -> Gains:
        if subject not in self.kept:
            return NAMEPLATE
        before = self.kept[subject].between(self._begin(subject), day.toordinal() - 1)[1]
        learning = before.newest(RECENT_NIGHTS).having("learn")
        ratios = zip(*(_or_none(learning.column(name)) for name in ("clear_sky", "sensor", "weather")), strict=True)
        return learn_gains([DayRatio(*ratio) for ratio in ratios]) if len(learning) else NAMEPLATE

    def learning_days(self, subject: str) -> list[date]:
        """Recent days that a subject's gains are learned from."""
        store = self.kept.get(subject, _NONE)
        learns = self.nights(subject).column("learn") == 1.0
        days = [date.fromordinal(int(day)) for day in store.days[-RECENT_NIGHTS:][learns]]
        return [day for day in days if day.toordinal() >= self._begin(subject)]

    def shading(self, subjects: Iterable[str]) -> dict[str, LearnedSky]:
        """The maps of some subjects before whose sky anything stands."""
        return {s: self.skies[s] for s in subjects if s in self.skies and self.skies[s].casts_shade}

    def experience(self, subject: str) -> dict[RungName, Outcomes]:
        """How the expectations of a subject's days without a finding came out, by source."""
        nights = self.nights(subject, _EXPERIENCE_DAYS)
        clearness = nights.column("clearness")
        found: dict[RungName, Outcomes] = {}
        for name, source in _DEVIATIONS.items():
            deviation = nights.column(name)
            known = ~np.isnan(deviation) & ~np.isnan(clearness)
            if known.any():
                found[source] = Outcomes(deviation[known], clearness[known])
        return found

    def usual_index(self) -> float:
        """Median of the site's daily clear-sky index over the last two months."""
        known = self.nights("site", _USUAL_INDEX_DAYS).known("index")
        return median(known) if len(known) >= 10 else _USUAL_INDEX

    def suspected(self, subject: str, cause: str) -> Sequence[date]:
        """Nights of trouble in a row up to now, newest first; nights that could not judge are skipped over."""
        days = self.kept.get(subject, _NONE).days[-_SUSPECTED_NIGHTS:]
        says = self.nights(subject, _SUSPECTED_NIGHTS).column(f"says:{cause}")
        found: list[date] = []
        for day, said in zip(days[::-1].tolist(), says[::-1].tolist(), strict=True):
            if said == 0.0 or day < self._begin(subject):
                break
            if said == 1.0:
                found.append(date.fromordinal(day))
        return found

    def silent_nights(self, source: str, below: float) -> int:
        """Nights in a row up to now on which a source was hardly heard; dark days are skipped over."""
        heard = self.nights(f"source:{source}").known("heard")
        loud = np.flatnonzero(heard >= below)
        return int(heard.size - 1 - loud[-1]) if loud.size else int(heard.size)

    def between(self, subject: str, first: date, last: date) -> list[DayNote]:
        """Energies of a subject over some days; `features` holds all else that is remembered of them."""
        days, nights = self.kept.get(subject, _NONE).between(first.toordinal(), last.toordinal())
        columns = {name: _or_none(nights.column(name)) for name in nights.at}
        return [_note(date.fromordinal(int(day)), subject, n, columns) for n, day in enumerate(days)]

    def said(self, subject: str, feature: str, first: date, last: date) -> Values:
        """One number of a subject over some days, of those that kept it."""
        return self.kept.get(subject, _NONE).between(first.toordinal(), last.toordinal())[1].known(feature)

    def last_day(self) -> date | None:
        """The newest night that left notes."""
        site = self.kept.get("site", _NONE)
        return date.fromordinal(int(site.days[-1])) if len(site) else None


def memory_start(first: date) -> date:
    """The earliest day whose notes matter for nights from `first` on."""
    return first - timedelta(MEMORY_DAYS)


def _note(day: date, subject: str, n: int, columns: Mapping[str, Sequence[float | None]]) -> DayNote:
    low, middle, high, measured, usable = (
        columns[name][n] if name in columns else None
        for name in ("expected_low_kwh", "expected_kwh", "expected_high_kwh", "measured_kwh", "usable")
    )
    features = {name: values[n] for name, values in columns.items() if name not in _ENERGIES and values[n] is not None}
    return DayNote(day, subject, middle, low, high, usable or 0.0, features, measured)


def _or_none(values: Values) -> list[float | None]:
    return [None if np.isnan(value) else value for value in values.tolist()]
