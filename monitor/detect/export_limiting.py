"""Power held back by an export limit, or by a limit that has come down without anybody saying so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.config.models import Inverter
from monitor.detect.held import at_export_limit, at_levels, export_levels, export_samples, own_levels
from monitor.detect.limits import lowered, started_anew, stated
from monitor.detect.night import PAPERS, DayLoss, SiteNight, Verdict
from monitor.detect.raised_volts import raised
from monitor.detect.unlimited import limit_loss

_LEAST_INTERVALS = 2


@dataclass(frozen=True, slots=True)
class ExportLimiting:
    """The site's export limit at work (a note on the site), and limits that came down (on the inverter, to be watched).

    By the export where it is measured: at the stated limit, or on three days and more at one level. Else by power at
    or above the stated limit with raised voltages, or by an inverter that stays at it. Where neither export nor voltage
    is logged it cannot be told.

    References
    ----------
    Raised voltage of limited strings: single-diode curve, 1.07 at 95 % of the power, 1.14 at 80 %.
    """

    cause: str = "export_limiting"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict for the site, and one per inverter with readings."""
        with_readings = [i for i in night.site.inverter if f"inverter:{i.id}" in night.units]
        return [self._site(night, with_readings), *(self._inverter(night, i) for i in with_readings)]

    def _site(self, night: SiteNight, inverters: list[Inverter]) -> Verdict:
        by_export = at_export_limit(night)
        by_inverter = np.zeros(night.starts.shape, dtype=bool)
        for inverter in inverters:
            levels = [level for level in own_levels(night, inverter.id) if stated(night, level)]
            by_inverter |= at_levels(night, inverter.id, levels)
        held = by_export | by_inverter
        if np.count_nonzero(held) < _LEAST_INTERVALS:
            return Verdict("site", self.cause, "healthy")
        measured = export_samples(night) is not None
        if not measured and not by_inverter.any() and raised(night, night.site.string)[1] == 0:
            return Verdict("site", self.cause, "unclear")
        losses = [limit_loss(night, i.id, held & ~np.isnan(night.units[f"inverter:{i.id}"].power_w)) for i in inverters]
        return Verdict(
            "site",
            self.cause,
            "trouble",
            confidence=0.9 if measured else 0.7,
            since=night.day,
            losses=(
                DayLoss(night.day, sum(x.kwh for x in losses), sum(x.low for x in losses), sum(x.high for x in losses)),
            ),
            evidence={
                "level_w": round(export_levels(night)[0]),
                "stated": night.site.site.export_limit_w is not None,
                "export_measured": measured,
                "hours_at_level": round(np.count_nonzero(held) / 4.0, 2),
            },
        )

    def _inverter(self, night: SiteNight, inverter: Inverter) -> Verdict:
        subject = f"inverter:{inverter.id}"
        found = lowered(night, inverter)
        if found is None:
            return Verdict(subject, self.cause, "healthy")
        touched = at_levels(night, inverter.id, [found.level_w]) & ~np.isnan(night.units[subject].power_w)
        if np.count_nonzero(touched) < _LEAST_INTERVALS:
            return Verdict(subject, self.cause, "unclear")
        replaced = started_anew(night, subject, found.since)
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.5 if replaced else 0.8,
            since=found.since,
            losses=(limit_loss(night, inverter.id, touched),),
            evidence={
                "level_w": round(found.level_w),
                "before_w": round(found.before_w),
                "rated_ac_w": inverter.rated_ac_w,
                **({"register_restarted": True} if replaced else {}),
            },
            others={PAPERS: 0.5} if replaced else {},
            level="watch",
        )
