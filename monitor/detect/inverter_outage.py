"""An inverter that makes nothing although there is sun."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.detect.dead import (
    came_back,
    nothing,
    snow_doubt,
    stands,
    standstill_loss,
    stillness,
    stopped_before,
    with_meter,
    working,
)
from monitor.detect.night import GapStep, SiteNight, UnitNight, Verdict, marked_part

# Of what even a dull span would have given, the register moved by less than this: the inverter stood still.
_STANDSTILL_SHARE = 0.05
_MIN_GAP_FULL_HOURS = 1.0
# On a gloomy day a shaded roof may not wake its inverter: so many more days in a row are waited for.
_PRODUCTIVE_FULL_HOURS = 0.35
_MORE_GLOOMY_NIGHTS = 2
# Where even that is not sure of the day, and only most likely.
_MORE_LIKELY_NIGHTS = 2
# Power so near to a thousandth of what is expected, and so much like it in shape, is kilowatts read as watts.
_THOUSANDTH, _ITS_SHAPE, _LEAST_SHAPED = (0.3e-3, 3e-3), 0.5, 8


@dataclass(frozen=True, slots=True)
class InverterOutage:
    """Inverters at nothing, told apart from gaps: a reading of zero, a still generation meter, or a still register.

    Where the inverter's own log is silent, its generation meter speaks; where both are silent, nothing is said until
    the log is back and the life-long register tells what happened meanwhile.

    References
    ----------
    Common practice; register rule: energy counted over the gap near its expectation means a gap in the data only,
    near zero an outage.
    """

    cause: str = "inverter_outage"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per inverter with AC or generation-meter readings, and one per standstill that a gap hid."""
        verdicts = [
            self._judge(night, unit)
            for inverter in night.site.inverter
            if (unit := with_meter(night, f"inverter:{inverter.id}")) is not None
        ]
        return verdicts + [self._hidden(step) for step in night.gap_steps if self._stood_still(night, step)]

    def _judge(self, night: SiteNight, unit: UnitNight) -> Verdict:
        still = stillness(night, unit)
        loss = standstill_loss(night, unit, still.stopped_at or 0)
        back = None if stands(night, still) else came_back(night, unit, self.cause)
        if back is not None or still.is_working:
            return back or Verdict(unit.subject, self.cause, "healthy")
        if not stands(night, still) or _contradicted(night, unit) or _follows_the_sun(unit):
            return Verdict(unit.subject, self.cause, "unclear", losses=(loss,))
        guess = unit.expected.source == "clear_sky"
        snow = snow_doubt(night, unit, still)
        before = stopped_before(night, unit.subject, still)
        return Verdict(
            unit.subject,
            self.cause,
            "unclear" if snow.excuses else "trouble",
            confidence=0.85 if snow.nights_needed > 1 else 0.9 if guess else 0.97,
            since=before[0].day if before else night.day,
            losses=(*before, loss),
            evidence={
                "share_of_energy_at_nothing": round(still.share or 0.0, 3),
                "judged_kwh": round(still.judged_kwh, 2),
                "made_kwh": round(night.energy_kwh(np.maximum(unit.power_w, 0.0)), 2),
                "expected_from": unit.expected.source,
                **marked_part(unit),
            },
            # Both doubts together are more doubtful than either.
            nights_needed=snow.nights_needed
            + (0 if still.full_hours >= _PRODUCTIVE_FULL_HOURS else _MORE_GLOOMY_NIGHTS)
            + (_MORE_LIKELY_NIGHTS if still.likely else 0),
        )

    def _stood_still(self, night: SiteNight, step: GapStep) -> bool:
        rated = next(i.rated_ac_w for i in night.site.inverter if f"inverter:{i.id}" == step.inverter)
        if night.snow_possible:
            return False
        return (
            step.expected_low_kwh > _MIN_GAP_FULL_HOURS * rated / 1000.0
            and step.counted_kwh < _STANDSTILL_SHARE * step.expected_low_kwh
        )

    def _hidden(self, step: GapStep) -> Verdict:
        return Verdict(
            step.inverter,
            self.cause,
            "trouble",
            confidence=0.95,
            since=step.first_day,
            losses=step.losses,
            evidence={
                "gap_first_day": step.first_day.isoformat(),
                "gap_last_day": step.last_day.isoformat(),
                "register_counted_kwh": round(step.counted_kwh, 2),
                "expected_over_gap_kwh": round(step.expected_kwh, 2),
            },
        )


def _follows_the_sun(unit: UnitNight) -> bool:
    """Whether what is next to nothing has the shape of the day and a thousandth of its level: no standstill has."""
    known = ~np.isnan(unit.power_w) & (unit.expected.power_w > 0.0)
    if np.count_nonzero(known) < _LEAST_SHAPED:
        return False
    power, expected = unit.power_w[known], unit.expected.power_w[known]
    low, high = _THOUSANDTH
    level = float(power.sum() / expected.sum())
    return low < level < high and power.std() > 0.0 and float(np.corrcoef(power, expected)[0, 1]) > _ITS_SHAPE


def _contradicted(night: SiteNight, unit: UnitNight) -> bool:
    """Somebody else saw this inverter's energy while it seemed to stand: its strings or its generation meter."""
    inverter = unit.subject.removeprefix("inverter:")
    strings = [
        night.units[f"string:{s.id}"] for s in night.site.strings_of(inverter) if f"string:{s.id}" in night.units
    ]
    if any(stillness(night, s).is_working for s in strings):
        return True
    meters = [m for m in night.site.meter if m.role == "generation" and m.inverter == inverter]
    seen = [night.meters_w[f"meter:{m.id}"] for m in meters if f"meter:{m.id}" in night.meters_w]
    quiet = nothing(unit)
    return any(np.count_nonzero(working(replace(unit, power_w=power)) & quiet) >= 4 for power in seen)
