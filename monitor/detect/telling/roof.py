"""What lies on or before a roof, in words."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION, Words, lost, span


def _soiling(site: Site, finding: Finding) -> str:
    verb = "made" if finding.state == "cleared" else "makes"
    share = finding.evidence["loss_fraction"]
    how = "slowly and on all strings alike"
    return f"The whole roof {verb} up to {share:.0%} less {span(finding)}, {how}; {lost(finding)}."


def _soiling_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "First, remotely: did it rain since, is there building work, a farm or a quarry near, do neighbouring"
            " sites fade alike (then it is haze or the weather data)? If sensor and cloudless hours disagree, "
            "check the sensor. Rain usually washes it off: wait for the next good rain before anybody is sent. "
            "Cleaning is worth its price only where the loss of a year exceeds it. On site: compare a cleaned "
            "with an uncleaned module's current. " + ROOF_CAUTION
        ),
        "homeowner": (
            "The roof makes a little less than the weather allows, most likely because of dust or pollen. Rain usually "
            "washes it off; nothing needs to be done by you."
        ),
    }


WORDS: Words = {"soiling": (_soiling, _soiling_advice)}
