"""A weak string that is level with its sibling again: was it repaired, or did the sibling fall as well?"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np

from monitor.detect.change import Prior
from monitor.detect.finding import Finding
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.siblings import Member, members
from monitor.detect.weak import CLEAR, change_since, losses_since, outside_channel

_FELL_ODDS = 2.0
# The voltage at full power beside the modelled one; it tells where the loss is one of voltage.
_VOLTS, _BY_VOLTAGE = Prior(sigma=0.02, wander=0.015, least=0.004), 0.5


def unless_the_sibling_fell(night: SiteNight, member: Member, finding: Finding, verdict: Verdict) -> Verdict:
    """A verdict that a weak string is back, or that it goes on and its only sibling has come down to it.

    By what does not hang on the sibling: both strings' voltage and power beside what they were before the finding. The
    same step of both together, and half of it of each, is what tells.
    """
    if verdict.says != "healthy":
        return verdict
    since = _level_since(night, member.subject, finding)
    others = [m.subject for m in members(night) if m.subject != member.subject and m.planes == member.planes]
    if since is None or len(others) != 1 or not _both_low(night, (member.subject, others[0]), finding, since):
        return verdict
    size, sigma = finding.evidence["log_change"], finding.evidence["log_change_sigma"]
    kept = {k: v for k, v in finding.evidence.items() if k not in ("days_seen", "good_days", "unseen_days")}
    return replace(
        verdict,
        says="trouble",
        confidence=finding.confidence,
        losses=losses_since(night, member.subject, night.day, size, sigma),
        evidence={**kept, "sibling": others[0], "sibling_fell": date.fromordinal(since).isoformat()},
    )


def _level_since(night: SiteNight, subject: str, finding: Finding) -> int | None:
    """First day of the last run of days on which a string was level with its sibling again (ordinal)."""
    told = finding.evidence
    if told.get("trait") not in ("peer_mid", "peer_strong", "volt"):
        return None
    if "sibling_fell" in told:
        return date.fromisoformat(told["sibling_fell"]).toordinal()
    days, values = night.series(subject, told["trait"])
    low = np.flatnonzero(values < told["reference"] + 0.5 * told["log_change"])
    after = days[low[-1] + 1 :] if low.size else days
    return int(after[0]) if after.size else None


def _both_low(night: SiteNight, pair: tuple[str, str], finding: Finding, since: int) -> bool:
    told, lost = finding.evidence, float(finding.evidence["log_change"])
    channels = [("clear", CLEAR.prior), ("outside", outside_channel(night).prior)]
    if told["trait"] == "volt" or told.get("voltage_change", 0.0) < _BY_VOLTAGE * lost:
        channels.append(("volt_off", _VOLTS))
    odds = 0.0
    for trait, prior in channels:
        changes = [change_since(night, subject, trait, prior, since) for subject in pair]
        known = [c for c in changes if c is not None]
        if len(known) == len(pair):
            middle, sigma = float(np.mean([c[0] for c in known])), max(c[1] for c in known)
            odds += lost * (middle - 0.5 * lost) / sigma**2
    return odds > _FELL_ODDS
