"""Inverters in words."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION, Words, lost, span, subject_in_words


def _inverter_outage(site: Site, finding: Finding) -> str:
    verb = "delivered" if finding.state == "cleared" else "has delivered"
    alone = len(site.strings_of(finding.subject.removeprefix("inverter:"))) == 1
    note = " (with a single string behind it, the string itself may be at fault)" if alone else ""
    return f"{subject_in_words(site, finding.subject)} {verb} nothing {span(finding)}{note}; {lost(finding)}."


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


WORDS: Words = {"inverter_outage": (_inverter_outage, _inverter_outage_advice)}
