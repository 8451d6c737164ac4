"""New shade: parts of the sky that were open when the roof was new and are dark now whenever the sun passes there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from monitor.config.models import String
from monitor.detect.finding import Finding
from monitor.detect.night import Says, SiteNight, Verdict
from monitor.detect.shade_evidence import Shade, evidence_of, new_shades, shadow_of
from monitor.detect.shade_losses import loss_tonight, losses_before
from monitor.model.learned_sky import looks_at_gain
from monitor.model.looks import EPOCH_ORDINAL

# The sky of so many days is searched for new shade, once a week.
LOOK_BACK_DAYS = 75
_EVERY_DAYS = 7
# Log likelihood ratio from which new shade is reported, and that which keeps an open finding up to date.
_STRONG, _STILL_THERE = 11.0, 6.0
# How likely new shade of a strength is, from invented fleets: see `_chance`.
_EVEN_STRENGTH, _STRENGTH_STEP, _SUREST = 8.0, 2.0, 0.98
# Where looks at the cells were bright again on so many recent days, the shade has gone.
_BRIGHT_AGAIN, _DAYS_NEEDED = 0.8, 3


@dataclass(frozen=True, slots=True)
class ShadingGrowth:
    """Shade of something that grew or was built, held against the frozen sky map of the unit.

    Searched once a week in the looks of ten weeks for a part of the sky that was open and now stays dark while the sun
    is seen beside it; three or four clear days are enough. Clouds that come and go, closed skies and fog prove nothing,
    and days on which a limit hid the brightness speak against shade. Leaves are no growth: a cell that was open without
    leaves and is dark with them is left alone, and seen again when the leaves are down. The edges of what always stood
    there are left alone too. Strings with module electronics are judged module by module, because shade on a few of
    many hides in their sum. What was found stays until the sun is seen where it stood. Its loss is measured in the
    hours behind it, also on the days before it was told; confidence follows from the strength of the evidence.

    References
    ----------
    Search and strength: `monitor.model.new_shade`, `monitor.model.dark_stretches`. Loss: `monitor.detect.shade_losses`;
    of a year: beam and view factor of what is hidden (`monitor.model.shade_cost`).
    """

    cause: str = "shading_growth"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per unit with a sky map."""
        found = []
        for subject, strings in _units(night).items():
            finding = night.open_finding(subject, self.cause)
            if finding is not None:
                found.append(self._again(night, subject, strings, finding))
            elif night.looks:
                verdict = self._judge(night, subject, strings)
                if verdict is not None:
                    found.append(verdict)
        return found

    def _judge(self, night: SiteNight, subject: str, strings: Sequence[String]) -> Verdict | None:
        shades = new_shades(night, _searched(night, subject), _STRONG)
        if not shades:
            known = any(night.past.skies.get(s) is not None for s in _watched(night, subject))
            return Verdict(subject, self.cause, "healthy") if known else None
        evidence = _evidence(night, subject, strings, shades)
        since = date.fromordinal(min(s.box.first_day for s in shades.values()) + EPOCH_ORDINAL)
        unit, shadow = _unit_of(night, subject), shadow_of(evidence)
        losses = (*losses_before(night, unit, shadow, since), loss_tonight(night, unit, shadow))
        return Verdict(
            subject, self.cause, "trouble", confidence=_chance(evidence["strength"]), since=since, losses=losses,
            evidence=evidence,
        )  # fmt: skip

    def _again(self, night: SiteNight, subject: str, strings: Sequence[String], finding: Finding) -> Verdict:
        evidence: dict[str, Any] = {k: v for k, v in finding.evidence.items() if k not in _LIFE}
        says: Says = "unclear"
        if night.looks:
            if _gone(night, subject, evidence):
                return Verdict(subject, self.cause, "healthy")
            says = "trouble"  # what stands there stays, until the sun is seen where it stood
            found = new_shades(night, _searched(night, subject), _STILL_THERE)
            shades = {name: shade for name, shade in found.items() if shade.is_of(evidence)}
            if shades:
                evidence = _evidence(night, subject, strings, shades, so_far=evidence)
        loss = loss_tonight(night, _unit_of(night, subject), shadow_of(evidence))
        confidence = max(finding.confidence, _chance(evidence["strength"]))
        return Verdict(subject, self.cause, says, confidence=confidence, losses=(loss,), evidence=evidence)


_LIFE = ("days_seen", "good_days", "unseen_days", "other_causes", "earlier_causes")


def is_look_night(site_id: str, day: date) -> bool:
    """Whether a site's sky is held against its baseline at the end of a day: weekly, not all sites on one night."""
    return (day.toordinal() + sum(site_id.encode())) % _EVERY_DAYS == 0


def _units(night: SiteNight) -> dict[str, list[String]]:
    """Strings and inverters that have a map, with the strings behind each."""
    skies = night.past.skies
    found = {}
    for string in night.site.string:
        subject = f"string:{string.id}"
        if subject in skies or any(s.startswith(f"module:{string.id}/") for s in skies):
            found[subject] = [string]
    for inverter in night.site.inverter:
        if f"inverter:{inverter.id}" in skies:
            strings = night.site.strings_of(inverter.id)
            # An inverter's only string is what stands in the shade.
            found[f"string:{strings[0].id}" if len(strings) == 1 else f"inverter:{inverter.id}"] = list(strings)
    return found


def _watched(night: SiteNight, subject: str) -> list[str]:
    """The maps that tell of a unit: its modules', else its own, else its inverter's."""
    skies = night.past.skies
    name = subject.partition(":")[2]
    modules = [s for s in skies if s.startswith(f"module:{name}/")]
    if modules or subject in skies:
        return modules or [subject]
    return [f"inverter:{s.inverter}" for s in night.site.string if s.id == name]


def _searched(night: SiteNight, subject: str) -> list[str]:
    """The maps in which new shade is looked for: a module that is weak all day long looks dark wherever the sun is."""
    weak = {f.subject for f in night.known if f.cause == "underperforming_module" and f.state == "open"}
    return [name for name in _watched(night, subject) if name not in weak]


def _chance(strength: float) -> float:
    """How likely it is shade, by the strength of the evidence."""
    return round(float(min(1.0 - 0.5 * np.exp(-(strength - _EVEN_STRENGTH) / _STRENGTH_STEP), _SUREST)), 2)


def _evidence(
    night: SiteNight,
    subject: str,
    strings: Sequence[String],
    shades: Mapping[str, Shade],
    so_far: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    year_kwh = _year_kwh(night, subject, strings)
    return evidence_of(night, _watched(night, subject), year_kwh, strings, shades, so_far)


def _year_kwh(night: SiteNight, subject: str, strings: Sequence[String]) -> float:
    """What the unit would make in a year: as expected over the last one, a shorter past stretched over it."""
    unit = _unit_of(night, subject)
    days, kwh = night.past.series(unit, "expected_kwh")
    rated_kw = sum(s.rated_w for s in strings) / 1000.0
    if days.size >= 330:
        return float(np.mean(kwh[-365:])) * 365.0
    # Common practice for roofs of temperate places, until a year is known.
    return 900.0 * rated_kw


def _unit_of(night: SiteNight, subject: str) -> str:
    """The unit whose power tells of a subject."""
    if subject in night.units:
        return subject
    name = subject.partition(":")[2]
    return next((f"inverter:{s.inverter}" for s in night.site.string if s.id == name), subject)


def _gone(night: SiteNight, subject: str, evidence: Mapping[str, Any]) -> bool:
    """Whether the sun was seen of late where it stood: on more days than it was dark there beside the sun."""
    darker = np.asarray(evidence["darker"])
    deep = np.asarray(evidence["cells"], np.int64)[darker > 0.5 * darker.max()]
    recent = night.day.toordinal() - 2 * _EVERY_DAYS
    bright = dark = 0
    for name in evidence.get("modules") or _watched(night, subject):
        for one in night.looks.get(name, ()):
            if one.day.toordinal() < recent or not one.record.size:
                continue
            looks = looks_at_gain([one], one.gain)
            inside = np.isin(looks.cell, deep)
            if not inside.any() or looks.transmittance.max() < _BRIGHT_AGAIN:
                continue
            lit = float(np.mean(looks.transmittance[inside] > _BRIGHT_AGAIN))
            bright, dark = bright + (lit > 0.5), dark + (lit == 0.0)
    return bright >= _DAYS_NEEDED and bright > 2 * dark
