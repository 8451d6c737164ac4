"""An inverter that works at its limit on bright days: by design, and worth knowing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from ingest.readings import Mask
from monitor.config.models import Inverter
from monitor.detect.flat_top import SAME_LEVEL
from monitor.detect.held import at_export_limit, at_levels, own_levels
from monitor.detect.limits import lowered, stated
from monitor.detect.night import SiteNight, UnitNight, Verdict
from monitor.detect.unlimited import limit_loss

# A day counts when an inverter was at its level for half an hour.
_LEAST_INTERVALS = 2
# Of a day on which it begins to be worth a note, in hours of full power.
_WORTH_HOURS = 0.05


@dataclass(frozen=True, slots=True)
class Clipping:
    """Power that stays at one level on three days and more: the rating, or a level below it.

    What the export limit or a limit that has come down explains is told under `export_limiting`.

    References
    ----------
    Flat tops: see `flat_top`. Loss by the ratio of strings to inverter, hourly: 1.2 0.03 %, 1.3 0.4 %, 1.5 2.7 % of a
    year in the north-west of Europe (computed with pvlib).
    """

    cause: str = "clipping"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per inverter with readings."""
        return [
            self._judge(night, inverter, night.units[f"inverter:{inverter.id}"])
            for inverter in night.site.inverter
            if f"inverter:{inverter.id}" in night.units
        ]

    def _judge(self, night: SiteNight, inverter: Inverter, unit: UnitNight) -> Verdict:
        levels = own_levels(night, inverter.id)
        touched = at_levels(night, inverter.id, levels) & ~at_export_limit(night) & ~np.isnan(unit.power_w)
        if np.count_nonzero(touched) < _LEAST_INTERVALS:
            return Verdict(unit.subject, self.cause, "healthy")
        level = _level_of(unit, touched, levels)
        if lowered(night, inverter) is not None or stated(night, level):
            return Verdict(unit.subject, self.cause, "unclear")
        loss = limit_loss(night, inverter.id, touched)
        if night.open_finding(unit.subject, self.cause) is None and 1000.0 * loss.kwh < _WORTH_HOURS * unit.rated_w:
            return Verdict(unit.subject, self.cause, "unclear")  # nobody needs to know of a touch
        return Verdict(
            unit.subject,
            self.cause,
            "trouble",
            confidence=0.9,
            since=_first_day(night, unit.subject, level),
            losses=(loss,),
            evidence={
                "level_w": round(level),
                "rated_ac_w": inverter.rated_ac_w,
                "hours_at_level": round(np.count_nonzero(touched) / 4.0, 2),
            },
        )


def _level_of(unit: UnitNight, touched: Mask, levels: list[float]) -> float:
    top = float(np.nanmax(unit.power_w[touched]))
    return min(levels, key=lambda level: abs(level - top))


def _first_day(night: SiteNight, subject: str, level: float) -> date:
    """The first day of this season with a flat top at the level."""
    days, tops = night.series(subject, "flat_w")
    same = days[(np.abs(tops / level - 1.0) < SAME_LEVEL) & (days > night.day.toordinal() - 90)]
    return date.fromordinal(int(same[0])) if same.size else night.day
