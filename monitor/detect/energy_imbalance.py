"""Energies that cannot all be right: grid against generation, strings against inverter, energy in the dark."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from ingest.readings import Mask, Seconds, Values
from monitor.detect.balances import behind, grid_subjects
from monitor.detect.levels import likeliest_step
from monitor.detect.night import Says, SiteNight, Verdict
from monitor.model.middle import median

_LOOK_BACK = 60
# A step of generation lowers the net import by the same; loads, clocks that differ by minutes and coarse registers
# leave it within this band.
_BAND = (-1.45, -0.65)
_LEAST_STEPS, _ENOUGH_STEPS, _LEAST_DAYS, _LEAST_SCATTER_KW, _NATS = 20, 50, 2, 0.15, 12.0
_STILL_NATS = 2.0
_REVERSED, _STRAY = 0.5, 0.35
# The house cannot take less than nothing: beyond what meters may be off by, on three days of five.
_OFF, _OFF_KWH, _OF_DAYS, _THREE = 0.05, 0.5, 5, 3
_DARK_SHARE, _DARK_NIGHTS = 0.01, 3
# Inverters give 0.85 to 0.99 of what strings give; current sensors are good to some per cent.
_EFFICIENCY = (0.80, 1.06)
_LESS_OR_MORE, _LEAST_SIGMA, _SIGMAS, _EFFICIENT_BEFORE, _EFFICIENT_AFTER = 0.04, 0.006, 8.0, 10, 5
_RECENT_DAYS = 14


@dataclass(frozen=True, slots=True)
class EnergyImbalance:
    """Identities between energies that have to hold at every home.

    The net import falls by what the generation rises (its slope over steps from half hour to half hour is -1; +1 is a
    reversed sensor, 0 a sensor on a wire that does not carry the roof's power, other values a wrong ratio); the house
    takes something and does not give; a generation meter rests in the dark; an inverter gives a little less than its
    strings. Half hours in which an inverter is held back, a battery works, or an unmeasured diverter could, are left
    out.

    References
    ----------
    Regression of grid steps on generation steps and the night check: common practice. The slope's band is left when
    the likelihood over that of the band's edge is beyond 12 nats, on the best stretch of days up to tonight.
    """

    cause: str = "energy_imbalance"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per grid meter and generation meter that can be judged, and one for the site."""
        found: dict[str, list[Verdict]] = {}
        for verdict in self._all(night):
            found.setdefault(verdict.subject, []).append(verdict)
        return [_gravest(each) for each in found.values()]

    def _all(self, night: SiteNight) -> Iterator[Verdict]:
        for subject in grid_subjects(night):
            for verdict in (self._slope(night, subject), self._house(night, subject)):
                if verdict is not None:
                    yield verdict
        for meter in night.site.meter:
            if meter.role == "generation" and "dark_w" in night.traits.get(f"meter:{meter.id}", {}):
                yield self._dark(night, f"meter:{meter.id}", sum(i.rated_ac_w for i in behind(night, meter)))
        for inverter in night.site.inverter:
            if "ac_over_dc" in night.traits.get(f"inverter:{inverter.id}", {}):
                yield self._efficiency(night, f"inverter:{inverter.id}")

    def _slope(self, night: SiteNight, subject: str) -> Verdict | None:
        days, sums = _step_sums(night, subject)
        if not days.size or int(days[-1]) != night.day.toordinal():
            return None
        known = night.open_finding(subject, self.cause)
        goes_on = known is not None and "slope" in known.evidence
        fit = _fit(sums[:, _last(sums[0], _LEAST_STEPS) :]) if goes_on else _best_stretch(sums)
        if fit is not None and fit.nats > (_STILL_NATS if goes_on else _NATS):
            way = "reversed" if fit.slope > _REVERSED else "stray" if abs(fit.slope) < _STRAY else "ratio"
            return self._trouble(
                subject, way, int(days[fit.at]), 0.95 if way != "ratio" else 0.85,
                {"slope": round(fit.slope, 2), "steps": fit.steps},
            )  # fmt: skip
        lately = _fit(sums[:, _last(sums[0], _ENOUGH_STEPS) :])
        sound = lately is not None and lately.steps >= _LEAST_STEPS and _BAND[0] <= lately.slope <= _BAND[1]
        return Verdict(subject, self.cause, "healthy" if sound else "unclear")

    def _house(self, night: SiteNight, subject: str) -> Verdict | None:
        days, house = night.series(subject, "house_kwh")
        if not days.size or int(days[-1]) != night.day.toordinal():
            return None
        made = night.series(subject, "made_kwh")[1]
        below = house < -(_OFF * made + _OFF_KWH)
        if np.count_nonzero(below[-_OF_DAYS:]) >= _THREE and below[-1]:
            first = int(days[_run_start(below)])
            more = {"export_beyond_kwh": round(-float(house[-1]), 2), "made_kwh": round(float(made[-1]), 2)}
            return self._trouble(subject, "export_beyond", first, 0.9, more)
        return Verdict(subject, self.cause, "unclear" if below[-1] else "healthy")

    def _dark(self, night: SiteNight, subject: str, rated_w: float) -> Verdict:
        days, dark = night.series(subject, "dark_w")
        high = dark > _DARK_SHARE * rated_w
        if high[-_DARK_NIGHTS:].all() and high.size >= _DARK_NIGHTS:
            more = {"dark_w": round(median(dark[-_DARK_NIGHTS:]), 1)}
            return self._trouble(subject, "dark", int(days[_run_start(high)]), 0.85, more)
        return Verdict(subject, self.cause, "unclear" if high[-1] else "healthy")

    def _efficiency(self, night: SiteNight, subject: str) -> Verdict:
        days, ratio = night.series(subject, "ac_over_dc")
        inside = days > night.day.toordinal() - _RECENT_DAYS
        lately = ratio[inside][-_OF_DAYS:]
        known = night.open_finding("site", self.cause)
        if known is not None and known.evidence.get("inverter") == subject:
            return self._efficiency_goes_on(lately, known.evidence, known.since, known.confidence)
        if lately.size < _OF_DAYS:
            return Verdict("site", self.cause, "unclear")
        beyond = (ratio < _EFFICIENCY[0]) | (ratio > _EFFICIENCY[1])
        more: dict[str, Any] = {"inverter": subject, "ac_over_dc": round(median(lately), 3)}
        if beyond[-_OF_DAYS:].all():
            return self._trouble("site", "efficiency", int(days[_run_start(beyond)]), 0.85, {**more, "before": None})
        window = (days > night.day.toordinal() - 2 * _LOOK_BACK) & night.untroubled("site", self.cause, days)
        usual = median(ratio[window]) if window.any() else median(lately)
        if abs(np.log(median(lately) / usual)) < 0.5 * _LESS_OR_MORE:
            return Verdict("site", self.cause, "healthy")
        step = likeliest_step(
            np.log(ratio[window]), least_sigma=_LEAST_SIGMA, least_before=_EFFICIENT_BEFORE,
            least_after=_EFFICIENT_AFTER,
        )  # fmt: skip
        if step is None or abs(step.by) < _LESS_OR_MORE or step.sigmas < _SIGMAS:
            return Verdict("site", self.cause, "healthy")
        before = round(float(np.exp(step.before)), 3)
        return self._trouble("site", "efficiency", int(days[window][step.at]), 0.8, {**more, "before": before})

    def _efficiency_goes_on(self, lately: Values, told: dict[str, Any], since: date, confidence: float) -> Verdict:
        now, before = median(lately), told.get("before")
        right = _EFFICIENCY[0] <= now <= _EFFICIENCY[1]
        if before is not None:
            right = abs(np.log(now / before)) < 0.5 * abs(np.log(told["ac_over_dc"] / before))
        if right:
            return Verdict("site", self.cause, "healthy")
        evidence = {k: v for k, v in told.items() if k not in ("days_seen", "good_days")}
        return Verdict("site", self.cause, "trouble", confidence, since, evidence=evidence)

    def _trouble(self, subject: str, way: str, first: int, confidence: float, more: dict[str, Any]) -> Verdict:
        evidence = {"way": way, **more}
        return Verdict(subject, self.cause, "trouble", confidence, date.fromordinal(first), evidence=evidence)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Slope over a stretch of days that ends tonight, and how far beyond the band it is [nats]."""

    at: int
    slope: float
    steps: int
    nats: float


def _step_sums(night: SiteNight, subject: str) -> tuple[Seconds, Values]:
    """Days with steps, and per day their count and their sums xx, xy, yy, shape (4, D)."""
    series = [night.series(subject, name) for name in ("steps", "steps_xx", "steps_xy", "steps_yy")]
    days = series[0][0]
    recent = (days > night.day.toordinal() - _LOOK_BACK) & night.untroubled(subject, "energy_imbalance", days)
    recent &= night.by_right_clocks(days)
    return days[recent], np.array([values[recent] for _, values in series])


def _fit(sums: Values) -> _Fit | None:
    """The slope over all of some days."""
    fits = _fits(sums.sum(axis=1, keepdims=True))
    return None if np.isnan(fits[0]).any() else _Fit(0, float(fits[0, 0]), int(sums[0].sum()), float(fits[1, 0]))


def _fits(sums: Values) -> Values:
    """Slope, and nats beyond the band, of each column of count and sums xx, xy, yy; shape (2, N)."""
    count, xx, xy, yy = sums
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = xy / xx
        variance = np.maximum((yy - slope * xy) / np.maximum(count - 1.0, 1.0), _LEAST_SCATTER_KW**2)
        beyond = slope - np.clip(slope, *_BAND)
        return np.stack([slope, beyond**2 * xx / (2.0 * variance)])


def _best_stretch(sums: Values) -> _Fit | None:
    """The stretch of days up to tonight whose slope is furthest beyond the band."""
    to_tonight = np.cumsum(sums[:, ::-1], axis=1)[:, ::-1][:, : sums.shape[1] - _LEAST_DAYS + 1]
    slope, nats = _fits(to_tonight)
    nats = np.where((to_tonight[0] >= _LEAST_STEPS) & ~np.isnan(nats), nats, 0.0)
    if not nats.size or nats.max() <= 0.0:
        return None
    at = int(np.argmax(nats))
    return _Fit(at, float(slope[at]), int(to_tonight[0, at]), float(nats[at]))


def _last(counts: Values, wanted: int) -> int:
    """Where the last days with so many steps begin."""
    total = np.cumsum(counts[::-1])
    return max(counts.size - 1 - int(np.searchsorted(total, wanted)), 0)


def _run_start(where: Mask) -> int:
    """Where the days of trouble up to tonight begin; single days without are passed over."""
    at = np.flatnonzero(where)
    cuts = np.flatnonzero(np.diff(at) > 2)
    return int(at[cuts[-1] + 1] if cuts.size else at[0])


def _gravest(verdicts: list[Verdict]) -> Verdict:
    order: tuple[Says, ...] = ("trouble", "healthy", "unclear")
    return min(verdicts, key=lambda v: (order.index(v.says), -v.confidence))
