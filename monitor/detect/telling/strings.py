"""Strings in words."""

from __future__ import annotations

from datetime import date

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION, Words, lost, span, spoken, subject_in_words


def _failed_string(site: Site, finding: Finding) -> str:
    verb = "made" if finding.state == "cleared" else "has made"
    where = subject_in_words(site, finding.subject)
    days, judged = (finding.evidence.get(name) for name in ("days_interrupted", "of_judged_days"))
    if days is not None:
        falls = "fell" if finding.state == "cleared" else "falls"
        how_often = f"on {days} of the last {judged} days that could be judged"
        return (
            f"{where} {falls} to nothing and comes back ({how_often}), {span(finding)}: a contact that opens and "
            f"closes; {lost(finding)}."
        )
    return f"{where} {verb} nothing {span(finding)} while the rest of the roof worked; {lost(finding)}."


def _failed_string_advice(site: Site, finding: Finding) -> dict[str, str]:
    string = next(s for s in site.string if f"string:{s.id}" == finding.subject)
    voc = string.modules * string.module.voc_v
    loose = (
        "It comes and goes, so the fault may not show when somebody is there: look in the log for the hours, the "
        "warmth and the weather in which it opens. A loose contact can arc: do not put the visit off. "
        if "days_interrupted" in finding.evidence
        else ""
    )
    return {
        "service": loose
        + (
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


def _weak_string(site: Site, finding: Finding) -> str:
    verb = "made" if finding.state == "cleared" else "makes"
    share = finding.evidence["loss_fraction"]
    if finding.evidence.get("shape") == "from_the_start":
        since = "from the first day on" if finding.evidence["from_the_first_day"] else span(finding)
        return (
            f"{subject_in_words(site, finding.subject)} {verb} {share:.0%} less for its nameplate than the others of "
            f"its plane {since}, as if it had {finding.evidence['like_modules']:.0f} modules instead of "
            f"{finding.evidence['modules']}; {lost(finding)}, unless the site file is wrong."
        )
    return (
        f"{subject_in_words(site, finding.subject)} {verb} {share:.0%} less than it should {span(finding)}"
        f"{_sign(finding)}; {lost(finding)}{_sibling(site, finding)}."
    )


def _sibling(site: Site, finding: Finding) -> str:
    fell = finding.evidence.get("sibling_fell")
    if fell is None:
        return ""
    sibling = subject_in_words(site, finding.evidence["sibling"])
    return f"; {sibling} has come down to the same level since {spoken(date.fromisoformat(fell))}"


def _sign(finding: Finding) -> str:
    parts = finding.evidence.get("substrings_bypassed")
    if parts is not None and finding.evidence.get("substrings_fit", 1.0) < 0.35:
        return f", its voltage being lower by {parts} bypassed module {'part' if parts == 1 else 'parts'}"
    if finding.evidence.get("all_strings_alike"):
        return ", all its strings alike"
    if finding.evidence.get("share_of_one_string"):
        return ", about the share of one of its strings, which may be dead"
    if finding.evidence.get("grows_with_current"):
        return ", the more so the stronger the light"
    return ""


def _weak_string_advice(site: Site, finding: Finding) -> dict[str, str]:
    kind, _, name = finding.subject.partition(":")
    string = next(s for s in site.string if name == (s.inverter if kind == "inverter" else s.id))
    each = string.module.voc_v / 3.0
    alike = (
        "All strings of this inverter lost alike, so begin with what they share: its power setting and limits, its "
        "heat and fan, its own reading beside a meter, dirt over the whole roof. "
        if finding.evidence.get("all_strings_alike")
        else ""
    )
    return {
        "service": alike
        + (
            "First, remotely: lay this string's voltage and current beside its sibling's on a clear day. Voltage "
            "low and current equal means bypassed module parts (a diode, a cracked module, a contact inside); "
            "both low in strong light only means a bad contact; current low alone means dirt, shade or a weak "
            "module. Compare the module count with the plan. On site: open-circuit voltage of the string (about "
            f"{string.modules * string.module.voc_v:.0f} V by nameplate at 25 degrees, {each:.0f} V less for each "
            "bypassed part), then a current-voltage curve, then a thermal camera over modules and connectors in "
            "sunshine. Bring a curve tracer or string tester, a thermal camera, spare connectors of the same "
            "make. " + ROOF_CAUTION
        ),
        "homeowner": (
            "One part of your roof makes somewhat less than it should. That is no danger and nothing needs to be "
            "done by you; we keep an eye on it and will contact you if a visit is worthwhile."
        ),
    }


def _weak_module(site: Site, finding: Finding) -> str:
    verb = "made" if finding.state == "cleared" else "makes"
    share = finding.evidence["loss_fraction"]
    shape = finding.evidence.get("shape")
    how = {"ramp": ", growing slowly", "from_the_start": ", from the first day on"}.get(str(shape), "")
    return (
        f"{subject_in_words(site, finding.subject)} {verb} {share:.0%} less than the others {span(finding)}{how}; "
        f"{lost(finding)}."
    )


def _weak_module_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "First, remotely: compare this module's power with its neighbours' hour by hour (a loss at fixed "
            "hours is shade, a loss all day is the module, its electronics or dirt), look for an error of its "
            "electronics, and ask for a photograph from the ground (leaves, droppings, a new aerial). Batch with "
            "another visit: one module is seldom worth a journey by itself; check product and performance "
            "warranty first. On site: thermal camera, connector check, swap the electronics with a neighbour's to"
            " see which of both is weak. Bring one spare unit of module electronics. " + ROOF_CAUTION
        ),
        "homeowner": (
            "One of your modules makes less than the others. The rest of the roof is well; nothing needs to be done by "
            "you, and we will combine it with the next visit if it stays so."
        ),
    }


WORDS: Words = {
    "failed_string": (_failed_string, _failed_string_advice),
    "underperforming_string": (_weak_string, _weak_string_advice),
    "underperforming_module": (_weak_module, _weak_module_advice),
}
