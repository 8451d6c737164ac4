"""Days on which snow lies on the roof: normal, worth knowing, and no fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from monitor.detect.dead import stillness
from monitor.detect.night import DayLoss, SiteNight, UnitNight, Verdict
from monitor.detect.snow_cover import clear_kwh
from monitor.model.calibration import Z80
from monitor.model.ladder import MAX_INDEX, MIN_INDEX, WEATHER_SIGMA
from monitor.model.physics import at_index

# A covered plane gives less than this of what is expected, or of a cloudless day.
_COVERED_OF_EXPECTED, _COVERED_OF_CLEAR = 0.08, 0.03
# The light that comes through snow gives more than this; an open circuit or a dead inverter gives nothing.
_TRICKLE_OF_CLEAR = 0.002
# Who tells of less than this of a cloudless day has asked neighbours that lie under snow, too.
_LEAST_EXPECTED_OF_CLEAR = 0.10


@dataclass(frozen=True, slots=True)
class Snow:
    """Snow on a whole plane: hardly any power where snow may lie, and a sign that it is not a standstill.

    Signs are a trickle of power, days cold enough for snow by a measured air temperature, or neighbours that stand
    still as well. A plane of which any unit works is free.

    References
    ----------
    Signature of snow: current near zero with the air below 2 degrees, all strings of one pitch (common practice).
    """

    cause: str = "snow"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict for the site."""
        judged = {s: stillness(night, u) for s, u in night.units.items()}
        told = [j for j in judged.values() if j.share is not None]
        if not night.snow_possible or (told and all(j.is_working for j in told)):
            return [Verdict("site", self.cause, "healthy")]
        covered = _covered(night)
        trickle = any(_share_of_clear(night, u) > _TRICKLE_OF_CLEAR for u in covered.values())
        air = bool(night.snow_left)
        if not covered or not (trickle or air or night.region.looks_snowed_in):
            return [Verdict("site", self.cause, "unclear")]
        return [
            Verdict(
                "site",
                self.cause,
                "trouble",
                confidence=0.9 if air or night.region.looks_snowed_in else 0.6,
                since=night.day,
                losses=(_loss(night, covered),),
                evidence={
                    "covered": sorted(covered),
                    "made_kwh": round(sum(_made_kwh(night, u) for u in covered.values()), 2),
                    "cold_by_measured_air": air,
                    "neighbours_at_nothing": night.region.sites_at_nothing,
                },
            )
        ]


def _covered(night: SiteNight) -> dict[str, UnitNight]:
    """Units of planes on which all units give next to nothing; those that are known to be at fault say nothing."""
    faulty = {f.subject for f in night.known if f.state == "open" and f.level == "urgent"}
    planes: dict[tuple[str, ...], dict[str, UnitNight]] = {}
    strings = {f"string:{s.id}": (s.plane,) for s in night.site.string if f"string:{s.id}" in night.units}
    inverters = {
        f"inverter:{i.id}": tuple(sorted({s.plane for s in night.site.strings_of(i.id)})) for i in night.site.inverter
    }
    for subject, plane in (strings or inverters).items():
        if subject in night.units and subject not in faulty:
            planes.setdefault(plane, {})[subject] = night.units[subject]
    return {
        s: u
        for units in planes.values()
        if all(_is_covered(night, u) for u in units.values())
        for s, u in units.items()
    }


def _is_covered(night: SiteNight, unit: UnitNight) -> bool:
    known = ~np.isnan(unit.power_w)
    expected = night.energy_kwh(unit.expected.power_w)
    if expected <= 0.0 or night.energy_kwh(unit.expected.power_w, known) < 0.75 * expected:
        return False
    made = _made_kwh(night, unit)
    if made < _COVERED_OF_EXPECTED * expected and stillness(night, unit).share is not None:
        return True
    return _share_of_clear(night, unit) < _COVERED_OF_CLEAR


def _made_kwh(night: SiteNight, unit: UnitNight) -> float:
    return night.energy_kwh(np.maximum(unit.power_w, 0.0))


def _share_of_clear(night: SiteNight, unit: UnitNight) -> float:
    clear = clear_kwh(night, unit)
    return _made_kwh(night, unit) / clear if clear > 0.0 else 1.0


def _loss(night: SiteNight, covered: Mapping[str, UnitNight]) -> DayLoss:
    """What the covered units did not make, by whoever saw the sky from elsewhere, else by the usual sky."""
    parts = [_lost(night, subject, unit) for subject, unit in covered.items()]
    kwh, low, high = (sum(part[n] for part in parts) for n in range(3))
    return DayLoss(night.day, kwh, low, high)


def _lost(night: SiteNight, subject: str, unit: UnitNight) -> tuple[float, float, float]:
    made, clear = _made_kwh(night, unit), clear_kwh(night, unit)
    outside = night.outside_w.get(subject)
    told = 0.0 if outside is None else night.energy_kwh(outside)
    energies = [told, told * np.exp(-Z80 * WEATHER_SIGMA), told * np.exp(Z80 * WEATHER_SIGMA)]
    if told < _LEAST_EXPECTED_OF_CLEAR * clear and night.physics is not None:
        table, ones = night.physics.power_w[subject], np.ones(night.starts.shape)
        gain = clear / max(night.energy_kwh(night.physics.clear_w(subject)), 1e-9)
        skies = (night.past.usual_index(), MIN_INDEX, MAX_INDEX)
        energies = [gain * night.energy_kwh(at_index(table, sky * ones)) for sky in skies]
    kwh, low, high = (max(float(energy) - made, 0.0) for energy in energies)
    return kwh, low, high
