"""An inverter that lets go, or holds back, because the grid's voltage is too high."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from ingest.readings import Seconds, Values
from monitor.detect.finding import Level
from monitor.detect.night import DayLoss, SiteNight, Verdict

# So many days of trouble within so many nights, on which dips came at the highest voltages beyond chance (0.1 %).
_WITHIN, _LEAST_DAYS, _BEYOND_CHANCE = 21, 5, 3.1
# Where power went altogether on so many of these days, they alone are looked at.
_GONE_DAYS = 3
# A day that has lost less than this part of its expectation is no day of trouble.
_LEAST_SHARE = 0.005
# From this part of the energy of the days concerned on somebody should see to it.
_VISIT_SHARE = 0.03
# The levels that dips start from, and that the lost energy is reckoned by, are known to a fifth.
_LOSS_RANGE = 0.2


@dataclass(frozen=True, slots=True)
class GridVoltageTrip:
    """Dips of power that come at high grid voltage, on five days and more within three weeks.

    A dip counts when the voltage at its beginning is at 108 % of nominal and above, and when power goes altogether, or
    the strings' voltage rises, or, where that is not logged, when it is short and deep. By day the voltage at their
    beginning is ranked among that of the other bright samples at high voltage, and the days' scores are added up:
    clouds and shade come at any voltage.

    References
    ----------
    EN 50160: ten-minute means of the supply voltage, 110 % of nominal (from memory). Rank test: Mann and Whitney,
    Annals of Mathematical Statistics 18 (1947) 50; combination of days: Stouffer's sum.
    """

    cause: str = "grid_voltage_trip"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per inverter; unclear where the day shows no voltage or too little light."""
        subjects = [f"inverter:{i.id}" for i in night.site.inverter if f"inverter:{i.id}" in night.units]
        return [self._judge(night, subject) for subject in subjects]

    def _judge(self, night: SiteNight, subject: str) -> Verdict:
        tonight = night.traits.get(subject, {})
        if "dip_kwh" not in tonight:
            logged = night.past.series(subject, "dip_kwh")[0].size > 0
            return Verdict(subject, self.cause, "unclear" if logged else "healthy")
        first_day = night.day.toordinal() - _WITHIN + 1
        days, lost = night.series(subject, "dip_kwh")
        days, lost = days[days >= first_day], lost[days >= first_day]
        z = _scores(night, subject, days)
        expected = _expected_kwh(night, subject, days)
        guilty = (z > 0.0) & (lost > _LEAST_SHARE * expected)
        if not guilty[-1]:
            return Verdict(subject, self.cause, "healthy" if lost[-1] <= _LEAST_SHARE * expected[-1] else "unclear")
        known = night.open_finding(subject, self.cause) is not None
        together = float(np.nansum(z) / np.sqrt(np.count_nonzero(~np.isnan(z))))
        if not known and (np.count_nonzero(guilty) < _LEAST_DAYS or together < _BEYOND_CHANCE):
            return Verdict(subject, self.cause, "unclear", losses=(_loss(night.day, lost[-1]),))
        share = float(np.sum(lost[guilty]) / max(np.sum(expected), 1e-9))
        level: Level = "visit" if share >= _VISIT_SHARE else "watch"
        first = date.fromordinal(int(days[guilty][0]))
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.85,
            since=first,
            losses=tuple(_loss(date.fromordinal(int(d)), e) for d, e in zip(days[guilty], lost[guilty], strict=True)),
            evidence={
                "days_with_dips": int(np.count_nonzero(guilty)),
                "within_days": _WITHIN,
                "share_of_energy_lost": round(share, 4),
                "highest_volts": round(tonight["volts_top"], 1),
                "rank_test_z": round(together, 1),
            },
            level=level,
        )


def _scores(night: SiteNight, subject: str, days: Seconds) -> Values:
    """Rank scores of some days, NaN on days without a dip that counts."""
    gone = dict(zip(*(a.tolist() for a in night.series(subject, "gone_z")), strict=True))
    dipped = dict(zip(*(a.tolist() for a in night.series(subject, "dip_z")), strict=True))
    told = gone if sum(int(day) in gone for day in days) >= _GONE_DAYS else dipped | gone
    return np.array([told.get(int(day), np.nan) for day in days])


def _expected_kwh(night: SiteNight, subject: str, days: Seconds) -> Values:
    """Expected energy of some days up to tonight [kWh]."""
    before, kwh = night.past.series(subject, "expected_kwh")
    tonight = night.energy_kwh(night.units[subject].expected.power_w)
    by_day = dict(zip(before.tolist(), kwh.tolist(), strict=True)) | {night.day.toordinal(): tonight}
    return np.array([by_day.get(int(day), 0.0) for day in days])


def _loss(day: date, kwh: float) -> DayLoss:
    return DayLoss(day, float(kwh), float((1.0 - _LOSS_RANGE) * kwh), float((1.0 + _LOSS_RANGE) * kwh))
