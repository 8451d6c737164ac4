"""A string that makes nothing while its inverter works."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask
from monitor.config.models import String
from monitor.detect.beyond_dc import works_unseen
from monitor.detect.dead import (
    SnowDoubt,
    came_back,
    nothing,
    snow_doubt,
    stands,
    standstill_loss,
    stillness,
    stopped_before,
    working,
)
from monitor.detect.interruptions import QUIET_DAYS, interruptions, witnesses
from monitor.detect.night import SiteNight, Stillness, UnitNight, Verdict, marked_part


@dataclass(frozen=True, slots=True)
class FailedString:
    """Dead strings, told apart from outages and gaps by a sibling or the inverter that goes on working.

    Only intervals count in which a witness of the same site was at work: another string of the inverter, the
    inverter itself, or a string of another inverter on the same plane. Shade leaves diffuse light and so never looks
    like this; snow does, and is ruled out by a working string on the same plane or by the region. A string that falls
    to nothing in strong light for half an hour and more, on two or three days within four weeks, has a contact that
    opens and closes.

    References
    ----------
    Outage rule: common practice; string open circuit: current at zero while same-plane strings carry current.
    """

    cause: str = "failed_string"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per string with DC readings."""
        return [
            self._judge(night, string, night.units[f"string:{string.id}"])
            for string in night.site.string
            if f"string:{string.id}" in night.units
        ]

    def _judge(self, night: SiteNight, string: String, unit: UnitNight) -> Verdict:
        beside = witnesses(night, string)
        if not beside:
            return Verdict(unit.subject, self.cause, "unclear")
        at_work = np.any([working(w) for w in beside.values()], axis=0)
        still = stillness(night, unit, at_work)
        loss = standstill_loss(night, unit, still.stopped_at or 0)
        if not stands(night, still):
            comes_and_goes = self._comes_and_goes(night, unit.subject) or came_back(night, unit, self.cause)
            if comes_and_goes is not None:
                return comes_and_goes
        if still.is_working:
            return Verdict(unit.subject, self.cause, "healthy")
        if not stands(night, still):
            # A day on which the whole inverter stood still is the outage's loss, not this string's.
            counts = bool(at_work.any()) or bool(np.isnan(unit.power_w).all())
            return Verdict(unit.subject, self.cause, "unclear", losses=(loss,) if counts else ())
        if works_unseen(night, string, at_work & nothing(unit)):
            known = night.open_finding(unit.subject, self.cause)
            return Verdict(unit.subject, self.cause, "unclear" if known is None else "healthy")
        same_plane = _same_plane_works(night, string)
        snow = SnowDoubt(False, 1) if same_plane else snow_doubt(night, unit, still)
        before = stopped_before(night, unit.subject, still)
        return Verdict(
            unit.subject,
            self.cause,
            "unclear" if snow.excuses else "trouble",
            confidence=_confidence(still, same_plane=same_plane, snow=snow.nights_needed > 1),
            since=before[0].day if before else night.day,
            losses=(*before, loss),
            evidence=_evidence(night, unit, still, beside, at_work),
            nights_needed=snow.nights_needed,
        )

    def _comes_and_goes(self, night: SiteNight, subject: str) -> Verdict | None:
        """A string that worked today but fell to nothing on some days, or for some hours; None where it did not."""
        seen = interruptions(night, subject)
        if not seen.is_trouble:
            return None
        if seen.days[-1] < night.day:
            known, quiet = night.open_finding(subject, self.cause), (night.day - seen.days[-1]).days
            return Verdict(subject, self.cause, "unclear") if known and quiet < QUIET_DAYS else None
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.9,
            since=seen.days[0],
            losses=seen.losses,
            evidence={"days_interrupted": len(seen.days), "of_judged_days": seen.judged_days},
        )


def _same_plane_works(night: SiteNight, string: String) -> bool:
    others = [s for s in night.site.string if s.plane == string.plane and s.id != string.id]
    units = [night.units[f"string:{s.id}"] for s in others if f"string:{s.id}" in night.units]
    return any(stillness(night, u).is_working for u in units)


def _confidence(still: Stillness, *, same_plane: bool, snow: bool) -> float:
    base = 0.97 if same_plane else 0.93
    if snow:
        base = 0.75
    return base + (0.02 if still.share is not None and still.share >= 0.98 else 0.0)


def _evidence(
    night: SiteNight, unit: UnitNight, still: Stillness, beside: Mapping[str, UnitNight], at_work: Mask
) -> dict[str, object]:
    made = {name: round(night.energy_kwh(np.maximum(w.power_w, 0.0), at_work), 2) for name, w in beside.items()}
    return {
        "share_of_energy_at_nothing": round(still.share or 0.0, 3),
        "judged_kwh": round(still.judged_kwh, 2),
        "made_kwh": round(night.energy_kwh(np.maximum(unit.power_w, 0.0)), 2),
        "witnesses_made_kwh": made,
        "expected_from": unit.expected.source,
        **marked_part(unit),
    }
