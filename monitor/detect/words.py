"""Findings in words: one summary sentence, and advice for each reader."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from monitor.config.models import Site
from monitor.detect.finding import Finding

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


def summary(site: Site, finding: Finding) -> str:
    """One sentence: what, where, since when, what it cost."""
    text = _SUMMARIES[finding.cause](site, finding)
    return text[:1].upper() + text[1:]


def advice(site: Site, finding: Finding) -> dict[str, str]:
    """Advice by reader: `service` and `homeowner`."""
    return _ADVICE[finding.cause](site, finding)


def _span(finding: Finding) -> str:
    if finding.state == "cleared":
        return f"from {spoken(finding.since)} to {spoken(finding.last_seen)}"
    return f"since {spoken(finding.since)}"


def _lost(finding: Finding) -> str:
    low, high = round(finding.lost_kwh_low), round(finding.lost_kwh_high)
    between = f" ({low} to {high})" if high > low else ""
    return f"about {finding.lost_kwh:.0f} kWh{between} not made"


def _failed_string(site: Site, finding: Finding) -> str:
    verb = "made" if finding.state == "cleared" else "has made"
    where = subject_in_words(site, finding.subject)
    return f"{where} {verb} nothing {_span(finding)} while the rest of the roof worked; {_lost(finding)}."


def _inverter_outage(site: Site, finding: Finding) -> str:
    verb = "delivered" if finding.state == "cleared" else "has delivered"
    alone = len(site.strings_of(finding.subject.removeprefix("inverter:"))) == 1
    note = " (with a single string behind it, the string itself may be at fault)" if alone else ""
    return f"{subject_in_words(site, finding.subject)} {verb} nothing {_span(finding)}{note}; {_lost(finding)}."


def _missing_data(site: Site, finding: Finding) -> str:
    verb = "sent" if finding.state == "cleared" else "has sent"
    what = "no source of the site" if finding.subject == "site" else subject_in_words(site, finding.subject)
    told = f"{what} {verb} readings" if finding.subject == "site" else f"{what} {verb} no readings"
    return f"{told} {_span(finding)}; whether energy was made meanwhile is not known."


def _failed_string_advice(site: Site, finding: Finding) -> dict[str, str]:
    string = next(s for s in site.string if f"string:{s.id}" == finding.subject)
    voc = string.modules * string.module.voc_v
    return {
        "service": (
            "First, remotely: look at this string's voltage and current beside its sibling's at the same minute. "
            "Current at zero with voltage near open circuit means the circuit is open (connector, fuse, DC "
            "isolator, cable); voltage near zero means no string arrives at the input. Ask whether an isolator was "
            "switched or work was done on the roof. On site: measure the open-circuit voltage at the inverter input "
            f"(about {voc:.0f} V by nameplate at 25 degrees, more in the cold) and compare with the sibling, "
            "within 5 % for equal strings (common practice at commissioning). Bring connectors, fuses, a clamp "
            "meter and a string tester. " + ROOF_CAUTION
        ),
        "homeowner": (
            "Part of your roof is not delivering at the moment. Nothing needs to be done by you, and please leave the "
            "equipment as it is: we have seen it and will contact you about a visit."
        ),
    }


def _inverter_outage_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "First, remotely: is the outage still on, does the grid voltage read normally, is there an error code in "
            "the inverter's log, is a neighbour or a second inverter affected as well? Ask the customer whether a "
            "circuit breaker has tripped or the display is dark (look only). On site: AC supply and breaker, then "
            "error memory, DC isolators, insulation resistance before switching on again. Bring a spare fan and fuses "
            "where the type needs them, and an insulation tester. " + ROOF_CAUTION
        ),
        "homeowner": (
            "Your solar system is not delivering at the moment. Nothing needs to be done by you, and please leave the "
            "equipment as it is: we have seen it and will contact you."
        ),
    }


def _missing_data_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "Check remotely before anything else: router, data logger, export job, changed password or folder, "
            "files set aside on arrival (aftercare status). No visit for data alone: when readings come back, the "
            "energy registers tell whether the system worked meanwhile."
        ),
        "homeowner": (
            "We are not receiving readings from your system at the moment. That says nothing about the solar system "
            "itself, which usually goes on working. We are looking into it."
        ),
    }


_SUMMARIES: dict[str, Callable[[Site, Finding], str]] = {
    "failed_string": _failed_string,
    "inverter_outage": _inverter_outage,
    "missing_data": _missing_data,
}
_ADVICE: dict[str, Callable[[Site, Finding], dict[str, str]]] = {
    "failed_string": _failed_string_advice,
    "inverter_outage": _inverter_outage_advice,
    "missing_data": _missing_data_advice,
}
