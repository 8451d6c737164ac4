"""What lies on or before a roof, in words."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION, Words, compass, lost, span, subject_in_words


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


def _shade(site: Site, finding: Finding) -> str:
    evidence = finding.evidence
    what = subject_in_words(site, finding.subject)
    modules = evidence.get("modules")
    part = f" ({len(modules)} of its modules)" if modules else ""
    where = f"{compass(evidence['azimuth_deg'])} and up to {evidence['elevation_deg']:.0f} degrees above the horizon"
    year = f"about {evidence['lost_kwh_per_year']:.0f} kWh a year"
    verb = "Something new stood" if finding.state == "cleared" else "Something new stands"
    return f"{verb} before the sun for {what}{part}, to the {where}, {span(finding)}: {year}, {lost(finding)} so far."


def _shade_advice(site: Site, finding: Finding) -> dict[str, str]:
    evidence = finding.evidence
    where = f"{compass(evidence['azimuth_deg'])} ({evidence['azimuth_deg']:.0f} degrees from north)"
    return {
        "service": (
            "First, remotely: look at the sun-path picture of the site (aftercare baseline) and at a map or an "
            f"old photograph: what stands to the {where}, seen about {evidence['elevation_deg']:.0f} degrees high "
            "from the roof? A crown that grows loses more every year; a wall or a new roof stays as it is; leaves"
            " come and go. Ask the customer for a photograph in that direction from the ground. No repair is "
            "needed: write to the customer with the yearly figure, and ask about pruning before the growing "
            "season. On a visit for other reasons: a sun-path photograph from the edge of the array. " + ROOF_CAUTION
        ),
        "homeowner": (
            f"Something to the {compass(evidence['azimuth_deg'])} of your house, perhaps a tree that has grown, "
            "now shades a part of the roof for some of the time. The solar system itself is well. We will write "
            "to you with what it costs in a year, so that you can decide whether pruning is worthwhile."
        ),
    }


WORDS: Words = {"shading_growth": (_shade, _shade_advice), "soiling": (_soiling, _soiling_advice)}
