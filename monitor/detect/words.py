"""Findings in words: one summary sentence, and advice for each reader."""

from __future__ import annotations

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.night import PAPERS
from monitor.detect.telling import data, energies, inverters, limits, roof, strings
from monitor.detect.telling.phrases import Words

# Below this chance a cause is called uncertain, and the two likeliest are named.
CERTAIN = 0.6
NAMES = {
    "failed_string": "a dead string",
    "underperforming_string": "a weak string",
    "underperforming_module": "a weak module",
    "shading_growth": "new shade",
    "soiling": "dirt",
    "inverter_outage": "an inverter at a standstill",
    "grid_voltage_trip": "grid voltage",
    "missing_data": "missing readings",
    "data_fault": "wrong readings",
    "clock_error": "a wrong clock",
    "meter_disagreement": "meters that disagree",
    "energy_imbalance": "energies that do not add up",
    "clipping": "the inverter's limit",
    "export_limiting": "the export limit",
    "snow": "snow",
    # No cause, but what may be wrong instead.
    PAPERS: "a site file that is wrong",
}
WORDS: Words = {
    **data.WORDS, **energies.WORDS, **inverters.WORDS, **limits.WORDS, **roof.WORDS, **strings.WORDS,
}  # fmt: skip


def summary(site: Site, finding: Finding) -> str:
    """One sentence: what, where, since when, what it cost."""
    text = WORDS[finding.cause][0](site, finding)
    return text[:1].upper() + text[1:] + _doubt(finding)


def advice(site: Site, finding: Finding) -> dict[str, str]:
    """Advice by reader: `service` and `homeowner`."""
    return WORDS[finding.cause][1](site, finding)


def _doubt(finding: Finding) -> str:
    """The likeliest other cause, where the stated one is not certain."""
    others: dict[str, float] = finding.evidence.get("other_causes", {})
    if finding.confidence >= CERTAIN or not others:
        return ""
    other = max(others, key=lambda cause: others[cause])
    named = f"{NAMES[finding.cause]} ({finding.confidence:.0%}) or {NAMES[other]} ({others[other]:.0%})"
    return f" The cause is not certain: {named}."
