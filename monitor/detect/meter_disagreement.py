"""A generation meter and an inverter's own register that no longer count the same, or never did."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from ingest.readings import Seconds, Values
from monitor.detect.finding import Finding
from monitor.detect.levels import Step, likeliest_step
from monitor.detect.night import SiteNight, Verdict
from monitor.model.middle import median

# A stretch of days that is compared as a whole: registers are coarse, and inverters misread weak light.
_STRETCH_DAYS, _STRETCH_KWH, _LONGEST_DAYS, _STALE_DAYS = 4, 25.0, 28, 5
_LOOK_BACK = 180
_LEAST_CHANGE, _LARGE_CHANGE, _SLOW_CHANGE, _STANDING = 0.015, 0.04, 0.03, 0.06
_LEAST_SIGMA, _SIGMAS, _MORE_SIGMAS = 0.003, 5.0, 8.0
_BEFORE, _AFTER, _NEAR = 4, 2, 4
_BACK = 0.5


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Days that are compared as a whole, and log ratios of their energies; NaN where the strings are not measured."""

    first: int
    last: int
    own: float  # meter over inverter
    own_dc: float  # meter over strings
    inverter_dc: float


@dataclass(frozen=True, slots=True)
class MeterDisagreement:
    """Generation meters beside the registers of their inverters, over stretches of days.

    A change of more than 1.5 % that stands out of the scatter of stretches is told, whatever the level was; and a
    level of more than 6 % from the first weeks on. Where the strings are measured, their energy tells which of the
    two has changed.

    References
    ----------
    Own readings of inverters are good to 3 to 5 %, meters of class A, B and C to 2, 1 and 0.5 % (MID, from memory):
    a level within 6 % is no fault, a change within a device is.
    """

    cause: str = "meter_disagreement"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per generation meter."""
        return [self._judge(night, f"meter:{m.id}") for m in night.site.meter if m.role == "generation"]

    def _judge(self, night: SiteNight, subject: str) -> Verdict:
        if "own_kwh" not in night.traits.get(subject, {}):
            return Verdict(subject, self.cause, "unclear")
        known = night.open_finding(subject, self.cause)
        stretches = _stretches(night, subject)
        if known is not None:
            return self._go_on(night, subject, stretches, known)
        if len(stretches) < _BEFORE:
            return Verdict(subject, self.cause, "unclear")
        ratios = np.array([s.own for s in stretches])
        level = median(ratios)
        # A change that lasts began with a stretch that stood out.
        step = _change(ratios) if abs(ratios[-1] - level) > 0.5 * _LEAST_CHANGE else None
        if step is not None:
            return self._changed(night, subject, stretches, step)
        if abs(level) > _STANDING and np.all(np.abs(ratios) > 0.8 * _STANDING):
            return self._standing(subject, stretches, level)
        return Verdict(subject, self.cause, "healthy")

    def _changed(self, night: SiteNight, subject: str, stretches: list[_Stretch], step: Step) -> Verdict:
        nearest = stretches[max(step.at - 1, 0)].first, stretches[step.at].last
        since = _day_of_change(night, subject, nearest, step.before)
        evidence = {
            "way": "change",
            "meter_over_inverter": round(_level_after(night, subject, since), 4),
            "before": round(float(np.exp(step.before)), 4),
            "sigmas": round(min(step.sigmas, 99.0), 1),
            "moved": _moved(stretches, step.at),
        }
        return Verdict(subject, self.cause, "trouble", 0.93, date.fromordinal(since), evidence=evidence)

    def _standing(self, subject: str, stretches: list[_Stretch], level: float) -> Verdict:
        evidence: dict[str, Any] = {
            "way": "standing",
            "meter_over_inverter": round(float(np.exp(level)), 4),
            "before": 1.0,
            "moved": None,
        }
        return Verdict(subject, self.cause, "trouble", 0.8, date.fromordinal(stretches[0].first), evidence=evidence)

    def _go_on(self, night: SiteNight, subject: str, stretches: list[_Stretch], known: Finding) -> Verdict:
        told = known.evidence
        if not stretches or "before" not in told:
            return Verdict(subject, self.cause, "unclear")
        off = float(np.log(told["meter_over_inverter"] / told["before"]))
        now = stretches[-1].own - float(np.log(told["before"]))
        if now / off < _BACK:
            return Verdict(subject, self.cause, "healthy")
        evidence = {k: v for k, v in told.items() if k not in ("days_seen", "good_days")}
        if told.get("way") == "change":
            evidence["meter_over_inverter"] = round(_level_after(night, subject, known.since.toordinal()), 4)
            evidence["moved"] = _moved(stretches, sum(s.last < known.since.toordinal() for s in stretches))
        return Verdict(subject, self.cause, "trouble", known.confidence, known.since, evidence=evidence)


def _stretches(night: SiteNight, subject: str) -> list[_Stretch]:
    """Stretches up to tonight, oldest first: four days and 25 kWh at the least, however long that takes."""
    days, own, inverter, strings = _paired(night, subject)
    found: list[_Stretch] = []
    end = days.size
    while end > 0:
        start = end
        while start > 0 and (end - start < _STRETCH_DAYS or float(np.sum(inverter[start:end])) < _STRETCH_KWH):
            start -= 1
        part = slice(start, end)
        sums = [float(np.sum(v[part])) for v in (own, inverter, strings)]
        long = int(days[end - 1] - days[start]) > _LONGEST_DAYS
        if end - start < _STRETCH_DAYS or sums[1] < _STRETCH_KWH or min(sums[:2]) <= 0.0:
            break
        if not long:
            ratios = (sums[0] / sums[1], sums[0] / sums[2], sums[1] / sums[2])
            found.append(_Stretch(int(days[start]), int(days[end - 1]), *(float(np.log(r)) for r in ratios)))
        end = start
    return found[::-1]


def _paired(night: SiteNight, subject: str) -> tuple[Seconds, Values, Values, Values]:
    """Days on which both sides counted, what each of them did, and the strings' energy (NaN where unknown)."""
    days, own = night.series(subject, "own_kwh")
    _, inverter = night.series(subject, "inverter_kwh")
    dc_days, dc = night.series(subject, "strings_kwh")
    strings = np.full(own.shape, np.nan)
    strings[np.isin(days, dc_days)] = dc
    recent = (days > night.day.toordinal() - _LOOK_BACK) & night.untroubled(subject, "meter_disagreement", days)
    return days[recent], own[recent], inverter[recent], strings[recent]


def _day_of_change(night: SiteNight, subject: str, between: tuple[int, int], before: float) -> int:
    """The first day of the new level among some days, by what the single days counted."""
    days, own, inverter, _ = _paired(night, subject)
    part = (days >= between[0]) & (days <= between[1])
    days, own, usual = days[part], own[part], float(np.exp(before)) * inverter[part]
    last = own[-_STRETCH_DAYS // 2 :].sum() / usual[-_STRETCH_DAYS // 2 :].sum()
    # From each day on: how much nearer the days are to the new level than to the old one.
    gain = np.abs(own - usual) - np.abs(own - last * usual)
    return int(days[int(np.argmax(np.cumsum(gain[::-1])[::-1]))])


def _level_after(night: SiteNight, subject: str, since: int) -> float:
    """Meter over inverter since the day after a change; that day itself may lie half before it."""
    days, own, inverter, _ = _paired(night, subject)
    after = days > since if days[-1] > since else days >= since
    return float(own[after].sum() / inverter[after].sum())


def _change(ratios: Values) -> Step | None:
    """A change of level that is no scatter and no slow swing of the seasons."""
    step = likeliest_step(ratios, least_sigma=_LEAST_SIGMA, least_before=_BEFORE, least_after=1)
    if step is None or abs(step.by) < _LEAST_CHANGE or step.sigmas < _SIGMAS:
        return None
    near = ratios[max(step.at - _NEAR, 0) : step.at], ratios[step.at : step.at + _NEAR]
    local = (median(near[1]) - median(near[0])) / step.by
    if local < _BACK and abs(step.by) < _SLOW_CHANGE:
        return None
    fresh = ratios.size - step.at < _AFTER
    return None if fresh and (abs(step.by) < _LARGE_CHANGE or step.sigmas < _MORE_SIGMAS) else step


def _moved(stretches: list[_Stretch], at: int) -> str | None:
    """Which of the two has changed, by the strings: `meter` or `inverter`; None where nobody can say."""
    own, inverter = (np.array([getattr(s, name) for s in stretches]) for name in ("own_dc", "inverter_dc"))
    if not 0 < at < own.size or np.isnan(own[:at]).all() or np.isnan(own[at:]).all():
        return None
    meter_by, inverter_by = (abs(float(np.nanmedian(v[at:]) - np.nanmedian(v[:at]))) for v in (own, inverter))
    if max(meter_by, inverter_by) < 2.0 * min(meter_by, inverter_by):
        return None
    return "meter" if meter_by > inverter_by else "inverter"
