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


def _clock_error(site: Site, finding: Finding) -> str:
    told = finding.evidence
    source, minutes = subject_in_words(site, finding.subject), int(told.get("minutes_late", 0))
    off = f"{abs(minutes)} minutes {'late' if minutes > 0 else 'early'}"
    verb = "stamped" if finding.state == "cleared" else "stamps"
    why = {
        "drift": f"; its clock runs {'fast' if minutes > 0 else 'slow'}",
        "standing": ", from its first day on: its zone or the longitude in the site file may be wrong",
    }.get(str(told.get("way")), ", from a change to or from daylight saving on" if told.get("daylight_saving") else "")
    return f"{source} {verb} its readings {off} by the sun {span(finding)}{why}."


def _clock_error_advice(site: Site, finding: Finding) -> dict[str, str]:
    source = finding.subject.removeprefix("source:")
    return {
        "service": (
            "Nothing is broken and no energy is lost, but comparisons by the hour are off until this is put right. "
            f"Remotely: look at the clock and the daylight-saving setting of the device behind source {source}, and "
            "at its time server; compare zone, format and marks of that source in the site file with a fresh export. "
            "Where the file was wrong, mend it and read the export again; where the device was, set its clock and "
            "leave the old readings as they are. No visit for this alone."
        ),
        "homeowner": (
            "The clock of a logger is not right. Your solar system works as it should, no energy is lost, and there is "
            "nothing for you to do: we put it right from here."
        ),
    }


FAULTS = {
    "unit": "readings in another unit, {level:g} times the true level",
    "out_of_range": "readings beyond what the equipment can do",
    "spikes": "readings with leaps that no sun makes",
    "stuck": "readings that stand still while the sun moves",
    "frozen": "the same rows over and over",
    "gain": "readings that are {level:.0%} lower than before, while its inverter gives what it gave",
    "exchanged": "readings of strings {strings} that are each other's",
    "mute": "readings that say nothing, while the inverter's balance shows that it works",
    "no_voltage": "current without any voltage",
    "no_current": "voltage without any reading of current",
    "register_stopped": "an energy register that no longer moves, while there is power",
    "power_stopped": "a power that no longer moves, while the energy register goes on",
    "register_reset": "an energy register that started anew after {level:.0f} kWh",
    "register_jump": "an energy register that leapt by {level:.0f} kWh more than can be made",
}


def _data_fault(site: Site, finding: Finding) -> str:
    verb = "sent" if finding.state == "cleared" else "has sent"
    kind, level = str(finding.evidence.get("fault", "")), float(finding.evidence.get("level", 0.0))
    strings = " and ".join(finding.evidence.get("strings", ()))
    what = FAULTS.get(kind, "readings that cannot be right").format(level=level, strings=strings)
    if kind == "exchanged" and finding.evidence.get("standing"):
        what += ", as the site file has them"
    return f"{subject_in_words(site, finding.subject)} {verb} {what} {span(finding)}; they are left out of the balance."


def _data_fault_advice(site: Site, finding: Finding) -> dict[str, str]:
    first = {
        "unit": "Compare the unit in the column's header, or the register's scale, with the site file: a change of "
        "firmware or export often changes it. Mend the unit in the site file and read the export again.",
        "register_reset": "Ask whether an inverter, meter, display or logger was exchanged (a new inverter's rating "
        "belongs in the site file); note the old and the new register for the customer's accounts. Energy goes on "
        "being counted from the new start.",
        "gain": "Compare the string's current and voltage with a clamp meter at the next planned visit; ask whether "
        "firmware, a sensor or a scale in the export was changed.",
        "exchanged": "Compare the columns of both strings in the site file, and the planes and modules that it gives "
        "them, with the export's header and with the plan of the roof; ask whether strings were plugged in anew at the "
        "inverter. Mend the site file and read the export again.",
        "register_jump": "Compare the register with the device's own display.",
    }.get(
        str(finding.evidence.get("fault")),
        "Restart the logger or its gateway remotely, and look at the raw export of the last days; if the channel stays "
        "silent, look at its sensor or its wire at the next planned visit.",
    )
    return {
        "service": first + " No visit for data alone: what the roof makes is judged by the channels that are left.",
        "homeowner": (
            "Some of the readings that we receive from your system are wrong. That says nothing about the solar system "
            "itself. There is nothing for you to do: we are looking into it."
        ),
    }


WORDS: Words = {
    "missing_data": (_missing_data, _missing_data_advice),
    "clock_error": (_clock_error, _clock_error_advice),
    "data_fault": (_data_fault, _data_fault_advice),
}
