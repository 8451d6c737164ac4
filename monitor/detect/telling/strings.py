"""Strings in words."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION, Words, lost, span, subject_in_words


def _failed_string(site: Site, finding: Finding) -> str:
    verb = "made" if finding.state == "cleared" else "has made"
    where = subject_in_words(site, finding.subject)
    return f"{where} {verb} nothing {span(finding)} while the rest of the roof worked; {lost(finding)}."


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


WORDS: Words = {"failed_string": (_failed_string, _failed_string_advice)}
