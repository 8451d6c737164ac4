"""Plain words for causes, levels, certainty, numbers and days: one table each, the same in every digest."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from datetime import date

from monitor.detect.finding import Level

CAUSES = {
    "failed_string": "String makes nothing",
    "underperforming_string": "String makes less than it should",
    "underperforming_module": "Module makes less than it should",
    "shading_growth": "New shade on the array",
    "soiling": "Dirt on the modules",
    "inverter_outage": "Inverter stands still",
    "grid_voltage_trip": "Grid voltage pushes the inverter off",
    "missing_data": "No readings arrive",
    "data_fault": "Readings that cannot be right",
    "clock_error": "Clock of the recorder is wrong",
    "meter_disagreement": "Meter and inverter disagree",
    "energy_imbalance": "Energies do not add up",
    "battery_fault": "Battery does not do its part",
    "diverter_fault": "Hot-water diverter does not do its part",
    "charger_fault": "Car charger does not do its part",
    "clipping": "Inverter at its rating on bright days",
    "export_limiting": "Output held back by the export limit",
    "snow": "Snow on the modules",
}

LEVELS: dict[Level, tuple[str, str]] = {
    "urgent": ("Urgent", "energy is being lost every sunny day: act today"),
    "visit": ("Visit", "worth a visit: plan one"),
    "watch": ("Watch", "not certain or not costly yet: keep an eye on it"),
    "note": ("Note", "normal, good to know"),
}

# Findings about the readings alone say nothing against the roof.
DATA_CAUSES = frozenset({"missing_data", "data_fault", "clock_error", "meter_disagreement", "energy_imbalance"})

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
# A part is called by the words beside the first limit that it lies below.
_PARTS = (
    (0.035, "a few percent"), (0.075, "about 5 percent"), (0.125, "about a tenth"), (0.175, "about 15 percent"),
    (0.225, "about a fifth"), (0.29, "about a quarter"), (0.37, "about a third"), (0.45, "about two fifths"),
    (0.55, "about half"),
)  # fmt: skip
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn")


def cause_words(cause: str) -> str:
    """A cause as a short heading."""
    return CAUSES.get(cause, cause.replace("_", " ").capitalize())


def sure_words(confidence: float) -> str:
    """How sure, as a word and a percentage that never claims certainty."""
    percent = min(99, round(100 * confidence))
    for least, word in ((97, "practically certain"), (90, "quite sure"), (70, "likely")):
        if percent >= least:
            return f"{word} ({percent}%)"
    return f"a suspicion ({percent}%)"


def day_words(day: date) -> str:
    """3 Jun 2026"""
    return f"{day.day} {MONTHS[day.month - 1][:3]} {day.year}"


def spoken_day(day: date) -> str:
    """3 June"""
    return f"{day.day} {MONTHS[day.month - 1]}"


def span_words(first: date, last: date) -> str:
    """From 3 to 9 August; From 28 July to 9 August; On 3 August"""
    end = f"{last.day} {MONTHS[last.month - 1]}"
    if first == last:
        return f"On {end}"
    same = (first.year, first.month) == (last.year, last.month)
    year = f" {first.year}" if first.year != last.year else ""
    return f"From {first.day} to {end}" if same else f"From {first.day} {MONTHS[first.month - 1]}{year} to {end}"


def month_words(day: date) -> str:
    """August 2026"""
    return f"{MONTHS[day.month - 1]} {day.year}"


def kwh(energy: float) -> str:
    """Energy for the trade: one decimal below 100 kWh."""
    if not math.isfinite(energy):
        return "-"
    text = f"{energy:,.1f}" if abs(energy) < 99.95 else f"{energy:,.0f}"
    return text.removeprefix("-") if float(text.replace(",", "")) == 0 else text


def about_kwh(energy: float) -> str:
    """Energy as people say it: 8.4, 43, 430, 1,250, 12,400."""
    size = abs(energy)
    step = next(s for limit, s in ((10, 0.1), (100, 1), (1000, 5), (10_000, 50), (math.inf, 100)) if size < limit)
    rounded = round(energy / step) * step
    return f"{rounded:,.1f}" if step < 1 and rounded < 10 else f"{rounded:,.0f}"


def part_words(part: float) -> str:
    """A part as people say it: a few percent, about a tenth, about a quarter, more than half."""
    for limit, words in _PARTS:
        if part < limit:
            return words
    return "more than half"


def range_words(low: float, high: float) -> str:
    """31 to 40"""
    return f"{kwh(low)} to {kwh(high)}"


def money(amount: float, currency: str) -> str:
    """9.86 GBP"""
    return f"{amount:,.2f} {currency}"


def share(part: float) -> str:
    """49%"""
    return f"{100 * part:.0f}%"


def join_names(names: Sequence[str]) -> str:
    """Elm; Elm and Oak; Elm, Oak and Ash"""
    return " and ".join([*([", ".join(names[:-1])] if names[:-1] else []), *names[-1:]])


def count(number: int, one: str, many: str) -> str:
    """1 day, 2 days"""
    return f"{number:,} {one if number == 1 else many}"


def one_line(text: str, limit: int = 2000) -> str:
    """Text from outside as one line: no control or invisible characters, single spaces, not longer than `limit`."""
    seen = text
    if not text.isprintable():
        seen = "".join(c for c in text if c.isspace() or unicodedata.category(c) not in _UNSEEN)
    flat = " ".join(seen.split())
    return flat if len(flat) <= limit else flat[: limit - 1].rstrip() + "…"
