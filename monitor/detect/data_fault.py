"""Readings that cannot be trusted: wrong units, stuck or dead channels, registers that start anew or leap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from monitor.detect.crossed import Exchange, exchanged, their_own
from monitor.detect.faulty import KINDS
from monitor.detect.finding import Finding
from monitor.detect.misread import misread
from monitor.detect.night import Says, SiteNight, Verdict
from monitor.detect.told import told_by
from monitor.detect.weak import Weakness, evidence_of, is_back

# What happens once; all other kinds have to show on two days.
_AT_ONCE = frozenset({"register_reset", "register_jump"})
_CONFIDENCE = {"unit": 0.97, "stuck": 0.9, "spikes": 0.85, "out_of_range": 0.9, "register_jump": 0.85}
_SURE = 0.95
# Days of fault that belong together, with days between them that could not be judged.
_APART_DAYS = 4
_WHOLE_SOURCE = frozenset({"stuck", "mute"})
_FULL_HOURS, _KNOWN = 0.5, 0.5


@dataclass(frozen=True, slots=True)
class DataFault:
    """Channels whose readings are wrong, by what `observe_faulty` has noted of tonight and of the nights before.

    A gap is no fault of this kind (that is missing data), and nothing is said of a subject that merely reads zero.
    Where all that a source tells is stuck, its logger is frozen, and the source is the subject; as it is where two of
    its strings read each other's power.
    """

    cause: str = "data_fault"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per string, inverter and generation meter, and one per source that tells of several."""
        told = told_by(night.site)
        frozen = {s for s, subjects in told.items() if _is_frozen(night, subjects)}
        covered = {subject for source in frozen for subject in told[source]}
        verdicts = [
            self._judge(night, subject, covered=subject in covered)
            for subjects in told.values()
            for subject in subjects
        ]
        return verdicts + [
            self._source(night, source, subjects, frozen=source in frozen)
            for source, subjects in told.items()
            if len(subjects) > 1
        ]

    def _judge(self, night: SiteNight, subject: str, *, covered: bool) -> Verdict:
        kind, level = _fault(night, subject)
        if kind is None:
            known = night.open_finding(subject, self.cause)
            if known is not None and known.evidence.get("fault") == "gain":
                return self._gain_goes_on(night, known)
            gain = misread(night, subject)
            if gain is not None:
                return self._gain(subject, gain)
            return Verdict(subject, self.cause, "healthy" if _judgeable(night, subject) else "unclear")
        days = _days_of(night, subject)
        if covered or (kind not in _AT_ONCE and len(days) < 2):
            return Verdict(subject, self.cause, "unclear")
        return self._trouble(subject, kind, days, {"level": round(level, 4)})

    def _source(self, night: SiteNight, source: str, subjects: tuple[str, ...], *, frozen: bool) -> Verdict:
        subject = f"source:{source}"
        exchange = None if frozen else exchanged(night, subjects)
        if exchange is not None:
            return self._exchange(subject, exchange)
        known = night.open_finding(subject, self.cause)
        if known is not None and known.evidence.get("fault") == "exchanged":
            return Verdict(subject, self.cause, "healthy" if their_own(night, known.evidence["strings"]) else "unclear")
        if not frozen:
            told = [s for s in subjects if _fault(night, s)[0] is None and _judgeable(night, s)]
            return Verdict(subject, self.cause, "healthy" if told else "unclear")
        each = [_days_of(night, s) for s in subjects]
        days = min(each, key=len)
        if len(days) < 2:
            return Verdict(subject, self.cause, "unclear")
        return self._trouble(subject, "frozen", days, {"subjects": list(subjects)})

    def _gain(self, subject: str, gain: Weakness) -> Verdict:
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.85,
            since=gain.since,
            evidence={"fault": "gain", "level": round(gain.drop.loss_fraction, 4), **evidence_of(gain)},
        )

    def _gain_goes_on(self, night: SiteNight, known: Finding) -> Verdict:
        back = is_back(night, known.subject, known)
        evidence = {k: v for k, v in known.evidence.items() if k not in ("days_seen", "good_days")}
        says: Says = "unclear" if back is None else "healthy" if back else "trouble"
        return Verdict(known.subject, self.cause, says, known.confidence, known.since, evidence=evidence)

    def _exchange(self, subject: str, exchange: Exchange) -> Verdict:
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.8 if exchange.standing else 0.9,
            since=exchange.since,
            evidence={
                "fault": "exchanged",
                "strings": list(exchange.strings),
                "standing": exchange.standing,
                "days": exchange.days,
            },
        )

    def _trouble(self, subject: str, kind: str, days: list[int], more: Mapping[str, Any]) -> Verdict:
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=_CONFIDENCE.get(kind, _SURE),
            since=date.fromordinal(days[0]),
            evidence={"fault": kind, **more, "days": len(days)},
        )


def _fault(night: SiteNight, subject: str) -> tuple[str | None, float]:
    """Tonight's kind of fault and its level."""
    traits = night.traits.get(subject, {})
    code = traits.get("fault")
    return (None, 0.0) if code is None else (KINDS[int(code) - 1], traits["fault_level"])


def _days_of(night: SiteNight, subject: str) -> list[int]:
    """Days up to tonight that belong to one fault, whatever it looked like, oldest first (ordinals)."""
    days, _ = night.series(subject, "fault")
    cuts = np.flatnonzero(np.diff(days) > _APART_DAYS)
    return [int(day) for day in (days[cuts[-1] + 1 :] if cuts.size else days)]


def _is_frozen(night: SiteNight, subjects: tuple[str, ...]) -> bool:
    """Whether every one of several subjects of a source is stuck, or mute since it is."""
    kinds = {_fault(night, s)[0] for s in subjects}
    return len(subjects) > 1 and "stuck" in kinds and kinds <= _WHOLE_SOURCE


def _judgeable(night: SiteNight, subject: str) -> bool:
    """Whether the day was bright enough, and its readings were there."""
    wired = {f"meter:{m.id}": f"inverter:{m.inverter}" for m in night.site.meter}
    unit = night.units.get(wired.get(subject, subject))
    if unit is None:
        return False
    power = night.meters_w.get(subject) if subject in wired else unit.power_w
    expected = unit.expected.power_w
    total = float(np.sum(expected))
    if power is None or total * 0.25 < _FULL_HOURS * unit.rated_w:
        return False
    return float(np.sum(expected[~np.isnan(power)])) > _KNOWN * total
