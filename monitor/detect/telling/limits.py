"""What holds power back, in words: limits, the grid's voltage, snow."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION, Words, lost, span, spoken, subject_in_words


def _kw(watts: float) -> str:
    return f"{watts / 1000.0:.2f} kW"


def _clipping(site: Site, finding: Finding) -> str:
    level, rated = finding.evidence.get("level_w", 0.0), finding.evidence.get("rated_ac_w", 0.0)
    below = f", below its rating of {_kw(rated)}" if level < 0.95 * rated else ""
    verb = "worked" if finding.state == "cleared" else "works"
    where = subject_in_words(site, finding.subject)
    return f"{where} {verb} at its limit of {_kw(level)}{below} on bright days {span(finding)}; {lost(finding)}."


def _clipping_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "Nothing to do where the limit is by design: modules of a higher rating than the inverter earn more in the "
            "morning, in the evening and under cloud. If the level is below the rating, compare it with the papers of "
            "the grid connection and the inverter's power setting, remotely."
        ),
        "homeowner": (
            "On the brightest days your system works at the top of what it can do. That is how the system was "
            "planned, and nothing needs to be done."
        ),
    }


def _export_limiting(site: Site, finding: Finding) -> str:
    level = _kw(finding.evidence.get("level_w", 0.0))
    if finding.subject != "site":
        before = _kw(finding.evidence.get("before_w", 0.0))
        where = subject_in_words(site, finding.subject)
        verb = "did" if finding.state == "cleared" else "does"
        anew = finding.evidence.get("register_restarted")
        other = "; its energy register began anew about then, as that of another inverter would" if anew else ""
        return (
            f"{where} {verb} not go above {level} {span(finding)}, after {before} before, and the site file states no "
            f"such limit{other}; {lost(finding)}."
        )
    verb = "held" if finding.state == "cleared" else "holds"
    which = "the export limit" if finding.evidence.get("stated", True) else "a limit of the export"
    sure = "" if finding.evidence.get("export_measured", True) else " (nobody measures the export itself)"
    return f"{which} of {level} {verb} the roof back on bright days {span(finding)}{sure}; {lost(finding)}."


def _export_limiting_advice(site: Site, finding: Finding) -> dict[str, str]:
    if finding.subject != "site":
        return {
            "service": (
                "Remotely: has the inverter's power setting, its firmware or its country setting been changed, has "
                "somebody set an export limit, has a current sensor of the limiter failed or been turned? A hot "
                "inverter limits itself, too: then the level moves with the day's heat. If the limit is wanted, enter "
                "it in the site file. Settings of grid protection are for licensed people."
            ),
            "homeowner": (
                "Since some weeks your inverter does not go above a certain power. We are finding out whether this was "
                "set on purpose. Nothing needs to be done by you."
            ),
        }
    return {
        "service": (
            "Nothing to do where the limit is wanted. More use at noon (hot water, car, battery) turns what is held "
            "back into use in the house. If the limit is not in the papers, ask who set it."
        ),
        "homeowner": (
            "On bright days more could be made than may be given to the grid, and the rest is held back as agreed with "
            "the network operator. Using more power around noon makes use of it."
        ),
    }


def _grid_voltage(site: Site, finding: Finding) -> str:
    verb = "let go or held back" if finding.state == "cleared" else "lets go or holds back"
    volts = finding.evidence.get("highest_volts", 0.0)
    days = finding.evidence.get("days_with_dips", 0)
    where = subject_in_words(site, finding.subject)
    return (
        f"{where} {verb} at high grid voltage (up to {volts:.0f} V, on {days} days within three weeks) {span(finding)}"
        f"; {lost(finding)}."
    )


def _grid_voltage_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "First, remotely: does the inverter's log show grid errors at the same minutes, are neighbours on the same "
            "street affected, how high is the voltage at night without any solar power? Have the voltage logged at the "
            "connection point as ten-minute means for a week and send it to the network operator as a voltage "
            "complaint (EN 50160: 95 % of a week's ten-minute means within 10 % of nominal). If the voltage is high at "
            "the inverter only, the cable between them is too thin or a terminal is loose: measure both at full power. "
            "Protection settings follow the grid code and are changed only with the operator's consent. Work on the "
            "supply side is for licensed people: isolate, prove dead, keep it locked. " + ROOF_CAUTION
        ),
        "homeowner": (
            "On bright days the voltage of the public grid at your house is so high that your system has to pause, "
            "as the rules demand. Your system is in order. We are taking care of it with the network operator; nothing "
            "needs to be done by you."
        ),
    }


def _snow(site: Site, finding: Finding) -> str:
    days = finding.evidence.get("days_seen", 1)
    counted = "one day" if days == 1 else f"{days} days"
    verb = "lay" if finding.state == "cleared" else "has lain"
    when = (
        f"between {spoken(finding.since)} and {spoken(finding.last_seen)}"
        if days > 1
        else f"on {spoken(finding.since)}"
    )
    return f"snow {verb} on the roof on {counted} {when}; {lost(finding)}."


def _snow_advice(site: Site, finding: Finding) -> dict[str, str]:
    return {
        "service": (
            "Nothing to do: power comes back by itself when the snow has slid or melted. If a unit stays at nothing "
            "while others work, it will be reported."
        ),
        "homeowner": (
            "Snow lies, or lay, on your modules. That is normal and ends by itself; little is lost on short winter "
            "days. Please leave the snow where it is, and keep clear of the eaves when it slides."
        ),
    }


WORDS: Words = {
    "clipping": (_clipping, _clipping_advice),
    "export_limiting": (_export_limiting, _export_limiting_advice),
    "grid_voltage_trip": (_grid_voltage, _grid_voltage_advice),
    "snow": (_snow, _snow_advice),
}
