"""What a finding rests on, in words: the figures that a person can judge, and none of the household."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from monitor.detect.finding import Finding
from monitor.detect.least_loss import WITNESSES
from monitor.detect.telling.phrases import compass
from monitor.detect.words import NAMES
from monitor.report.words import count, share

# Above this chance nobody needs to hear of another cause.
_SURE = 0.97
# Keys whose values are names, not numbers.
_IN_WORDS = frozenset({"trait", "shape"})
_OTHER_MODULES = "power of the other modules"
_SHAPES = {"step": "from one day to the next", "ramp": "slowly, over weeks"}


def _days(value: Any) -> str:
    return count(round(value), "day", "days")


def _change(value: Any) -> str:
    return f"{100.0 * value:+.1f}%"


def _degrees(value: Any) -> str:
    return f"{value:.0f} degrees"


def _kwh(value: Any) -> str:
    return f"{value:.1f} kWh"


def _kw(value: Any) -> str:
    return f"{value / 1000.0:.2f} kW"


# Key of the evidence: label, and how its value is said. What stands in no row is for programs (`findings --json`).
_ROWS: dict[str, tuple[str, Callable[[Any], str]]] = {
    "loss_fraction": ("Missing of what it should make", share),
    "trait": ("Told by", lambda trait: WITNESSES.get(trait, trait)),
    "shape": ("How it came", lambda shape: _SHAPES.get(shape, str(shape))),
    "strength": ("Change over its usual scatter", lambda times: f"{times:.1f} times"),
    "strong_light_change": ("Change in strong light", _change),
    "weak_light_change": ("Change in weak light", _change),
    "morning_change": ("Change in the morning", _change),
    "noon_change": ("Change at noon", _change),
    "afternoon_change": ("Change in the afternoon", _change),
    "grows_with_current": ("Grows with the current", lambda it_does: "yes, as at a bad contact" if it_does else "no"),
    "azimuth_deg": ("Direction of the new shade", lambda at: f"{at:.0f} degrees from north, {compass(at)}"),
    "elevation_deg": ("Its top above the horizon", _degrees),
    "lost_kwh_per_year": ("Costs in a year", _kwh),
    "hidden_share": ("Light of the sky that it hides", lambda part: f"{100.0 * part:.1f}%"),
    "days_with_dips": ("Days with dips at high voltage", _days),
    "within_days": ("Within", _days),
    "highest_volts": ("Highest grid voltage", lambda volts: f"{volts:.0f} V"),
    "share_of_energy_lost": ("Energy lost on those days", share),
    "share_of_energy_at_nothing": ("Part of the day's energy in which it made nothing", share),
    "judged_kwh": ("Energy expected in the hours that count", _kwh),
    "witnesses_made_kwh": ("Made meanwhile by those beside it", _kwh),
    "days_interrupted": ("Days with interruptions", _days),
    "silent_days": ("Days without readings", _days),
    "minutes_late": ("Clock behind by", lambda late: f"{late:.0f} minutes"),
    "ac_over_dc": ("Inverter's output over its strings'", share),
    "level_w": ("Level at which it is held", _kw),
    "rated_ac_w": ("Its rating", _kw),
    "hours_at_level": ("Hours at that level on the last such day", lambda hours: f"{hours:.1f} h"),
    "days_seen": ("Days on which it showed", _days),
}  # fmt: skip


def evidence_words(finding: Finding) -> tuple[tuple[str, str], ...]:
    """Label and value of what a person can judge."""
    told = {key: _plain(value) for key, value in finding.evidence.items()}
    if finding.subject.startswith("module:") and "trait" in told:
        told["trait"] = _OTHER_MODULES
    return tuple(
        (label, say(told[key]))
        for key, (label, say) in _ROWS.items()
        if isinstance(told.get(key), str if key in _IN_WORDS else float)
    )


def _plain(value: Any) -> float | str | None:
    """A value that can be said; figures of several witnesses are added up."""
    if isinstance(value, dict):
        parts = [_plain(part) for part in value.values()]
        return sum(part for part in parts if isinstance(part, float)) if parts else None
    if isinstance(value, int | float):
        return float(value) if math.isfinite(value) else None
    return value if isinstance(value, str) else None


def other_cause(finding: Finding) -> str:
    """The likeliest other cause, where the stated one is not practically certain; else empty."""
    others: dict[str, float] = finding.evidence.get("other_causes") or {}
    if finding.confidence >= _SURE or not others:
        return ""
    other = max(others, key=lambda cause: others[cause])
    return f"{NAMES.get(other, other.replace('_', ' '))} ({others[other]:.0%})"
