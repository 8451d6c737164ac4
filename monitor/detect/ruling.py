"""What an engineer says of a finding, and what follows from it: user data that no replay takes back."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import numpy as np

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.life import Change, Known, brought_up_to_date
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.table import KINDS
from monitor.detect.told import told_by
from monitor.model.history import Epoch

Said = Literal["confirmed", "not-a-fault", "repaired"]

SAID: tuple[Said, ...] = ("confirmed", "not-a-fault", "repaired")
CLOSING: frozenset[Said] = frozenset({"not-a-fault", "repaired"})
# Evidence that tells how large a trouble is, whatever the epoch; and how much larger it must be to be another one.
_MEASURES, _GROWN = ("lost_kwh_per_year", "share_of_energy_lost"), 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """An engineer's verdict on a finding.

    `day` is the local day for which it holds, `renews` the subjects that begin anew with the day after it,
    `nights_until` the last night that was assessed when it was given. Subject, cause and `raised` tell which finding
    it was, should a replay find it under another id.
    """

    site: str
    finding_id: str
    day: date
    said: Said
    note: str
    subject: str
    cause: str
    raised: date
    renews: tuple[str, ...]
    given_at: int
    nights_until: date | None

    @property
    def known(self) -> Known:
        """The finding that it speaks of."""
        return Known(self.finding_id, self.subject, self.cause, self.raised)


def renewed(site: Site, subject: str, cause: str) -> tuple[str, ...]:
    """The subjects that are new ones once a finding was closed by an engineer: its own, and the parts of it.

    An inverter's strings are measured by the inverter, so they go with it; a string that nobody measures is compared
    by its inverter's power. Silence and clocks say nothing of what a unit makes.
    """
    kind, _, name = subject.partition(":")
    if KINDS[cause].family == "silence":
        return ()
    if kind == "site" and KINDS[cause].family != "clock":
        strings, inverters = site.string, tuple(f"inverter:{i.id}" for i in site.inverter)
    elif kind == "inverter":
        strings, inverters = site.strings_of(name), ()
    elif kind == "string":
        strings = tuple(s for s in site.string if s.id == name)
        measured = {s for told in told_by(site).values() for s in told}
        inverters = tuple(f"inverter:{s.inverter}" for s in strings if subject not in measured)
    else:
        return (subject,)
    modules = (f"module:{s.id}/{n:02d}" for s in strings if s.module_electronics for n in range(1, s.modules + 1))
    return tuple(dict.fromkeys((subject, *inverters, *(f"string:{s.id}" for s in strings), *modules)))


def epochs_on(rulings: Collection[Ruling], day: date) -> dict[str, Epoch]:
    """The epoch that each subject is in on a local day, by the verdicts of earlier days; none for those in their first.

    The day of a repair is half old and half new, so the epoch begins with the next one.
    """
    found: dict[str, Epoch] = {}
    for ruling in sorted(rulings, key=lambda r: (r.day, r.given_at)):
        if ruling.said in CLOSING and ruling.day < day:
            first = ruling.day.toordinal() + 1
            for subject in ruling.renews:
                before = found.get(subject)
                number = 1 if before is None else before.number + (before.first != first)
                found[subject] = Epoch(first, number, ruling.said == "not-a-fault")
    return found


def silenced(
    night: SiteNight, verdicts: Sequence[Verdict], rulings: Collection[Ruling], known: Collection[Finding]
) -> list[Verdict]:
    """Take back what an engineer has called no fault, for as long as it goes on.

    It is over after as many healthy nights as clear a finding. What comes and goes with the seasons or the weather is
    judged by its size instead: it is told again when it has grown by a quarter.
    """
    accepted: dict[tuple[str, str], Ruling] = {}
    for ruling in sorted(rulings, key=lambda r: (r.day, r.given_at)):
        if ruling.said in CLOSING and ruling.day < night.day:
            accepted[ruling.subject, KINDS[ruling.cause].family] = ruling
    if not accepted:
        return list(verdicts)
    closed = {f.id: f for f in known}

    def is_accepted(v: Verdict) -> bool:
        ruling = accepted.get((v.subject, KINDS[v.cause].family))
        if v.says != "trouble" or ruling is None or ruling.said != "not-a-fault":
            return False
        finding = closed.get(ruling.finding_id)
        if finding is not None and finding.cause == v.cause:
            for measure in _MEASURES:
                if measure in finding.evidence and measure in v.evidence:
                    return bool(v.evidence[measure] <= _GROWN * finding.evidence[measure])
        days, said = night.past.series(ruling.subject, f"says:{ruling.cause}")
        healthy = np.count_nonzero(said[days > ruling.day.toordinal()] == 0.0)
        return bool(healthy < KINDS[ruling.cause].good_days_to_clear)

    return [replace(v, says="unclear", losses=()) if is_accepted(v) else v for v in verdicts]


def rule(
    night: SiteNight, changes: Sequence[Change], known: Collection[Finding], rulings: Collection[Ruling]
) -> list[Change]:
    """What the verdicts of this very day make of the findings as the night has left them."""
    current = {f.id: f for f in known} | {c.finding.id: c.finding for c in changes}
    return [
        Change(brought_up_to_date(night, ruled(current[r.finding_id], r)), r.said)
        for r in rulings
        if r.day == night.day and r.finding_id in current
    ]


def ruled(finding: Finding, ruling: Ruling) -> Finding:
    """A finding under an engineer's verdict: open and certain, or closed on the verdict's day."""
    told = {"said": ruling.said, "on": ruling.day.isoformat(), **({"note": ruling.note} if ruling.note else {})}
    moved = replace(finding, evidence={**finding.evidence, "verdict": told})
    if ruling.said == "confirmed":
        return replace(moved, confidence=1.0)
    return replace(moved, state="cleared", cleared=finding.cleared or ruling.day)


def still_to_come(finding: Finding, rulings: Collection[Ruling], assessed_until: date | None) -> Finding:
    """A finding as people know it by verdicts that no night has seen yet.

    In a replay that stands before the night after which a verdict was given, that verdict is of the future.
    """
    told: Mapping[str, str] = finding.evidence.get("verdict", {})
    for ruling in sorted((r for r in rulings if r.finding_id == finding.id), key=lambda r: r.day):
        given = ruling.nights_until is None or (assessed_until is not None and assessed_until >= ruling.nights_until)
        seen = (told.get("on", ""), told.get("said")) >= (ruling.day.isoformat(), ruling.said)
        if given and not seen:
            finding = ruled(finding, ruling)
    return finding
