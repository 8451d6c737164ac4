"""Readings that are missing or wrong, in words."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import Words, span, subject_in_words


def _missing_data(site: Site, finding: Finding) -> str:
    verb = "sent" if finding.state == "cleared" else "has sent"
    what = "no source of the site" if finding.subject == "site" else subject_in_words(site, finding.subject)
    told = f"{what} {verb} readings" if finding.subject == "site" else f"{what} {verb} no readings"
    return f"{told} {span(finding)}; whether energy was made meanwhile is not known."


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


WORDS: Words = {"missing_data": (_missing_data, _missing_data_advice)}
