"""From what was quoted to what the customer's meter shows, step by step, to the watt-hour."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from monitor.detect.finding import Finding
from monitor.model.calibration import Z80
from monitor.report.adding_up import Reckoning
from monitor.report.energies import SHARED_PART

Group = Literal["weather", "quote", "shade", "fault", "limits", "gaps", "meter", "unexplained"]

# What shade takes as installed is modelled; half of the range around it, relative (planning value).
SHADE_HALF = 0.3
_SHADE, _SNOW, _LIMITS = "shading_growth", "snow", ("clipping", "export_limiting")
_OUTAGES = ("inverter_outage", "grid_voltage_trip")


@dataclass(frozen=True, slots=True, kw_only=True)
class DayTerms:
    """What the steps of one reckoned day rest on, beside its reckoning [Wh].

    `low` and `high` hold the energy expected; `opened` is what would have been expected without what stood before the
    roof from the beginning, `usual` what it would make under the usual sky, `quoted` the day's part of the quote.
    `shown` is what the customer's meters counted of the inverters that they measure beside the inverters' own logs,
    `beside` what these logs say of the same. `ranges` has low and high of what each finding lost, and what it told.
    """

    reckoning: Reckoning
    low: float
    high: float
    opened: float
    usual: float
    quoted: float | None = None
    shown: float = 0.0
    beside: float = 0.0
    ranges: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)  # told, low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step down (negative) or up [Wh], with its 80 % range, and the findings behind it."""

    key: str
    group: Group
    wh: int
    low: int
    high: int
    findings: tuple[str, ...] = ()

    @property
    def sigma(self) -> float:
        """Half of the range as one sigma [Wh]."""
        return (self.high - self.low) / (2.0 * Z80)


@dataclass(frozen=True, slots=True, kw_only=True)
class Waterfall:
    """`start` + all steps = `end`, in whole watt-hours.

    `start` is what was quoted for the days, or without a quote what the weather allowed under the open sky. `expected`
    stands where weather, roof and old shade are told and findings begin; `by_inverter` is what the inverters measured.
    Shared doubts [Wh, one sigma]: `weather_sigma` of what is expected, `usual_sigma` of what is usual.
    """

    start: int
    starts_with_quote: bool
    steps: tuple[Step, ...]
    expected: int
    by_inverter: int
    end: int
    days: int
    weather_sigma: float
    usual_sigma: float

    def totals(self) -> tuple[int, ...]:
        """Where each step ends."""
        ends, at = [], self.start
        for step in self.steps:
            at += step.wh
            ends.append(at)
        return tuple(ends)

    def group(self, group: Group) -> int:
        """Sum of the steps of a group [Wh]."""
        return sum(step.wh for step in self.steps if step.group == group)


def build_waterfall(
    days: Sequence[DayTerms], findings: Mapping[str, Finding], *, usual_relative: float, split_relative: float
) -> Waterfall:
    """Put the reckoned days together.

    Parameters
    ----------
    days : sequence of DayTerms
        At least one.
    findings : mapping of str to Finding
        By id, all that the reckonings name.
    usual_relative : float
        Sigma of the usual sky, relative.
    split_relative : float
        Sigma of the quote's part of these days, relative to it.

    Notes
    -----
    Weather is what was expected over what is usual, applied to the quote; what is then left between the quote and the
    open roof is the quote's own assumptions beside the roof as it was built. Every step is a whole number of
    watt-hours, and the unexplained takes what is left.
    """
    reckonings = [day.reckoning for day in days]
    expected, measured = sum(r.expected for r in reckonings), sum(r.measured for r in reckonings)
    opened = max(round(sum(day.opened for day in days)), expected)
    half = expected_half(days)
    weather_sigma = half / Z80
    has_quote = all(day.quoted is not None for day in days)
    quoted = round(sum(day.quoted or 0.0 for day in days)) if has_quote else opened
    usual = sum(day.usual for day in days)
    # The quote in this weather; where next to nothing is usual, as in a polar winter, weather is no matter.
    told = quoted * expected / usual if has_quote and usual >= 1.0 else float(quoted)
    in_weather = round(told)
    usual_half = Z80 * usual_relative * told if has_quote else 0.0
    steps: list[Step] = []
    if has_quote:
        own = half / expected if expected else 0.0
        split_half = Z80 * split_relative * quoted
        steps.append(_step("weather", "weather", in_weather - quoted, math.hypot(own * told, usual_half, split_half)))
        steps.append(_step("as_built", "quote", opened - in_weather, math.hypot(usual_half, split_half)))
    steps.append(_step("installed_shade", "shade", expected - opened, SHADE_HALF * (opened - expected)))
    steps += _losses(days, reckonings, findings)
    gaps = sum(r.gaps for r in reckonings)
    steps.append(_step("gaps", "gaps", -gaps, gaps * half / expected if expected else 0.0))
    shown, beside = round(sum(day.shown for day in days)), round(sum(day.beside for day in days))
    steps.append(_step("meter", "meter", shown - beside, 0.0))
    unexplained = sum(r.unexplained for r in reckonings)
    of_steps = [Z80 * step.sigma for step in steps if step.group in ("fault", "limits") or step.key in (_SHADE, _SNOW)]
    steps.append(_step("unexplained", "unexplained", -unexplained, math.hypot(half, *of_steps)))
    return Waterfall(
        start=quoted, starts_with_quote=has_quote, steps=tuple(steps), expected=expected, by_inverter=measured,
        end=measured + shown - beside, days=len(days), weather_sigma=weather_sigma, usual_sigma=usual_half / Z80,
    )  # fmt: skip


def expected_half(days: Sequence[DayTerms]) -> float:
    """Half of the 80 % range of the energy expected over the days [Wh]; days share part of their error."""
    halves = [(day.high - day.low) / 2.0 for day in days]
    return SHARED_PART * sum(halves) + (1.0 - SHARED_PART) * math.hypot(*halves)


def _losses(days: Sequence[DayTerms], reckonings: Sequence[Reckoning], findings: Mapping[str, Finding]) -> list[Step]:
    """Snow, new shade, faults by cause, outages, limits."""
    taken: dict[str, int] = {}
    notes: dict[str, int] = {}
    for one in reckonings:
        for name, wh in one.findings.items():
            taken[name] = taken.get(name, 0) + wh
        for cause, wh in one.notes.items():
            notes[cause] = notes.get(cause, 0) + wh
    by_cause: dict[str, list[str]] = {}
    for name in taken:
        by_cause.setdefault(findings[name].cause, []).append(name)
    steps = []
    for cause in sorted({*by_cause, *notes}, key=lambda c: (_turn(c), c)):
        names = tuple(sorted(by_cause.get(cause, ())))
        wh = sum(taken[name] for name in names) + notes.get(cause, 0)
        behind = names + _notes_of(days, findings, cause)
        low, high = _range(days, behind, wh)
        step = Step(key=cause, group=_group(cause), wh=-wh, low=-high, high=-low, findings=behind)
        if wh or names:
            steps.append(step)
    return steps


def _notes_of(days: Sequence[DayTerms], findings: Mapping[str, Finding], cause: str) -> tuple[str, ...]:
    names = {name for day in days for name in day.ranges if name in findings}
    return tuple(sorted(n for n in names if findings[n].cause == cause and findings[n].level == "note"))


def _range(days: Sequence[DayTerms], names: Sequence[str], wh: int) -> tuple[int, int]:
    """Low and high of what some findings took: their own ranges, scaled to what they took."""
    told = low = high = 0.0
    for day in days:
        for name in names:
            if name in day.ranges:
                one = day.ranges[name]
                told, low, high = told + one[0], low + one[1], high + one[2]
    if told <= 0.0:
        return wh, wh
    return min(round(wh * low / told), wh), max(round(wh * high / told), wh)


def _group(cause: str) -> Group:
    groups: dict[str, Group] = {_SHADE: "shade", _SNOW: "weather", **dict.fromkeys(_LIMITS, "limits")}
    return groups.get(cause, "fault")


def _turn(cause: str) -> int:
    """Snow, new shade, then faults, then outages and the grid, then limits."""
    order = {_SNOW: 0, _SHADE: 1, **dict.fromkeys(_OUTAGES, 3), **dict.fromkeys(_LIMITS, 4)}
    return order.get(cause, 2)


def _step(key: str, group: Group, wh: int, half: float) -> Step:
    return Step(key=key, group=group, wh=wh, low=wh - round(half), high=wh + round(half))


def without_nothing(waterfall: Waterfall) -> Waterfall:
    """The same without steps of nothing; what was quoted, weather and the unexplained always stand."""
    kept = tuple(s for s in waterfall.steps if s.wh or s.findings or s.key in ("weather", "unexplained"))
    return replace(waterfall, steps=kept)
