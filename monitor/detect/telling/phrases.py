"""What the words on findings have in common: subjects, dates, losses, cautions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date

from monitor.config.models import Site
from monitor.detect.finding import Finding

Summary = Callable[[Site, Finding], str]
Advice = Callable[[Site, Finding], dict[str, str]]
Words = Mapping[str, tuple[Summary, Advice]]  # by cause

_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
ROOF_CAUTION = (
    "Strings are live in daylight and DC arcs do not go out by themselves: isolate the AC side first, then the DC "
    "side, prove it dead, never open a connector under load. Work at height needs fall protection. Follow local codes; "
    "licensed people only."
)


def subject_in_words(site: Site, subject: str) -> str:
    """A subject as the service team calls it."""
    kind, _, name = subject.partition(":")
    if kind == "string":
        string = next((s for s in site.string if s.id == name), None)
        return f"string {name} on inverter {string.inverter}" if string else f"string {name}"
    if kind == "module":
        string_id, _, number = name.rpartition("/")
        return f"module {number} of string {string_id}"
    words = {"inverter": f"inverter {name}", "meter": f"meter {name}", "source": f"data source {name}"}
    return words.get(kind, "the site" if subject == "site" else f"the {subject}")


def spoken(day: date) -> str:
    """A date as people write it."""
    return f"{day.day} {day:%B %Y}"


def span(finding: Finding) -> str:
    if finding.state == "cleared":
        return f"from {spoken(finding.since)} to {spoken(finding.last_seen)}"
    return f"since {spoken(finding.since)}"


def lost(finding: Finding) -> str:
    """What a finding has cost, rounded as people speak."""
    if finding.lost_kwh_high < 1.0:
        return "less than 1 kWh not made"
    low, high = round(finding.lost_kwh_low), round(finding.lost_kwh_high)
    between = f" ({low} to {high})" if high > low else ""
    return f"about {finding.lost_kwh:.0f} kWh{between} not made"


def compass(azimuth_deg: float) -> str:
    """A direction in words."""
    return _POINTS[round(azimuth_deg / 45.0) % 8]
