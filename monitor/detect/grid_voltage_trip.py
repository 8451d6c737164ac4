"""An inverter that lets go, or holds back, because the grid's voltage is too high."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from ingest.readings import Mask, Seconds, Values
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
        seen = _days(night, subject)
        known = night.open_finding(subject, self.cause) is not None
        guilty = (seen.score > 0.0) & seen.costly
        # Once they are known, trips need not come at the very highest voltage of a day to be trips.
        lacking = seen.costly & (seen.dips | (seen.lost > _VISIT_SHARE * seen.expected))
        troubled = guilty | lacking if known else guilty
        if not troubled[-1]:
            return Verdict(subject, self.cause, "unclear" if seen.costly[-1] else "healthy")
        scored = int(np.count_nonzero(~np.isnan(seen.score)))
        together = float(np.nansum(seen.score)) / max(scored, 1) ** 0.5
        if not known and (np.count_nonzero(guilty) < _LEAST_DAYS or together < _BEYOND_CHANCE):
            return Verdict(subject, self.cause, "unclear", losses=(_loss(night.day, seen.lost[-1]),))
        share = float(np.sum(seen.lost[troubled]) / max(np.sum(seen.expected), 1e-9))
        level: Level = "visit" if share >= _VISIT_SHARE else "watch"
        told = seen.costly & seen.dips | troubled
        return Verdict(
            subject,
            self.cause,
            "trouble",
            confidence=0.85,
            since=date.fromordinal(int(seen.days[guilty][0] if guilty.any() else seen.days[troubled][0])),
            losses=tuple(
                _loss(date.fromordinal(int(day)), kwh)
                for day, kwh in zip(seen.days[told], seen.lost[told], strict=True)
            ),
            evidence={
                "days_with_dips": int(np.count_nonzero(troubled)),
                "within_days": _WITHIN,
                "share_of_energy_lost": round(share, 4),
                "highest_volts": round(tonight["volts_top"], 1),
                "rank_test_z": round(together, 1),
            },
            level=level,
        )


@dataclass(frozen=True, slots=True)
class _Days:
    """The last weeks' judged days: whether dips look like trips, their rank score, energy lost and expected [kWh]."""

    days: Seconds
    dips: Mask
    score: Values
    lost: Values
    expected: Values

    @property
    def costly(self) -> Mask:
        """Days that lost a part of their expectation that is worth a word."""
        return self.lost > _LEAST_SHARE * self.expected


def _days(night: SiteNight, subject: str) -> _Days:
    """Up to tonight; what was lost by what outside saw, else by the level that the dips began from."""
    days, dipped = night.series(subject, "dip_kwh")
    recent = days > night.day.toordinal() - _WITHIN
    days, dipped = days[recent], dipped[recent]
    high = dict(zip(*(a.tolist() for a in night.series(subject, "high_kwh")), strict=True))
    lost = np.array([high.get(int(day), kwh) for day, kwh in zip(days, dipped, strict=True)])
    return _Days(days, dipped > 0.0, _scores(night, subject, days), lost, _expected_kwh(night, subject, days))


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
