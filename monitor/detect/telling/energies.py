"""Meters and energies that do not fit each other, in words."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import Words, span, subject_in_words

_NOTHING_TO_DO = "Your solar system works as it should, and there is nothing for you to do: "


def _meter_disagreement(site: Site, finding: Finding) -> str:
    told = finding.evidence
    meter = subject_in_words(site, finding.subject)
    off = 100.0 * (float(told.get("meter_over_inverter", 1.0)) / float(told.get("before", 1.0)) - 1.0)
    verb = "counted" if finding.state == "cleared" else "counts"
    beside = "the inverter" if told.get("way") == "standing" else "before, beside the inverter"
    moved = {
        "meter": "; by the strings it is the meter that changed",
        "inverter": "; by the strings it is the inverter's own reading that changed",
    }.get(str(told.get("moved")), "")
    return f"{meter} {verb} {abs(off):.1f} % {'more' if off > 0 else 'less'} than {beside}, {span(finding)}{moved}."


def _meter_disagreement_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "Ask first whether a meter, a current sensor or the inverter was exchanged or set anew; write down both "
            "registers on one day and a month later. An inverter's own reading is good to some per cent only; the "
            "meter is what counts for payments, and a sealed meter is for its operator to test. No energy is lost, and "
            "no visit for this alone: look at sensors and their terminals when somebody is there."
        ),
        "homeowner": (
            _NOTHING_TO_DO + "two of its meters no longer count the same, and we are finding out which one is right."
        ),
    }


_WAYS = {
    "reversed": "reads import as export: its sensor sits the wrong way round",
    "stray": "does not see what the roof makes: its sensor sits on another wire or phase",
    "ratio": "sees {times:.1f} times of what the roof makes: the ratio of its sensor is set wrong",
    "export_beyond": "counts more export than the roof makes",
    "dark": "counts energy in the dark of the night",
    "efficiency": "has an inverter that gives {percent:.0f} % of what its strings give: one of their channels is off",
}


def _energy_imbalance(site: Site, finding: Finding) -> str:
    told = finding.evidence
    way = _WAYS.get(str(told.get("way")), "has energies that do not add up")
    text = way.format(times=abs(float(told.get("slope", 1.0))), percent=100.0 * float(told.get("ac_over_dc", 1.0)))
    return f"{subject_in_words(site, finding.subject)} {text} ({span(finding)})."


def _energy_imbalance_advice(site: Site, finding: Finding) -> dict[str, str]:
    what = {
        "efficiency": "Compare the strings' voltages and currents with the inverter's display and with each other at "
        "one minute of full sun, to see which channel is off; a real loss in the inverter shows as heat and fan noise.",
        "dark": "See what is wired behind this meter: a battery, or a load that feeds back; and whether its sensor "
        "sits on the inverter's wire alone.",
    }.get(
        str(finding.evidence.get("way")),
        "Compare import and export with the supplier's meter on a bright day. A sensor's direction and ratio can often "
        "be set in the device from afar. Where it has to be moved: it clips around a live mains wire in the consumer "
        "unit, which licensed people isolate first.",
    )
    return {
        "service": what + " No energy is lost, but self-use, savings and battery control are wrong until then.",
        "homeowner": (
            _NOTHING_TO_DO + "one of its sensors does not read what it should, so figures of import, export or own "
            "use may be wrong for now. We take care of it."
        ),
    }


WORDS: Words = {
    "meter_disagreement": (_meter_disagreement, _meter_disagreement_advice),
    "energy_imbalance": (_energy_imbalance, _energy_imbalance_advice),
}
