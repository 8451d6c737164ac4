"""While it is doubted that a plane lies as the site file says, what is missing may be the papers' fault."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from monitor.config.models import Site
from monitor.detect.night import PAPERS, SiteNight, Verdict

# A wrong plane moves power to other hours and other months: that looks like any of these.
_BY_THE_SUN = frozenset({"shading_growth", "soiling", "grid_voltage_trip"})
# Strings of one plane are wrong together; beside others, sky and weather each plane is wrong by itself.
_SIDE_BY_SIDE = frozenset({"peer_mid", "peer_strong", "volt"})
_MOST = 0.5


def hedged(night: SiteNight, verdicts: Sequence[Verdict]) -> list[Verdict]:
    """Verdicts with no more certainty than a doubted site file leaves, and with it as the other explanation."""
    doubted = night.past.doubted
    if not doubted:
        return list(verdicts)
    return [_hedged(v) if _rests_on_planes(v) and _planes(night.site, v.subject) & doubted else v for v in verdicts]


def _rests_on_planes(verdict: Verdict) -> bool:
    if verdict.says != "trouble":
        return False
    weak = verdict.cause == "underperforming_string" and verdict.evidence.get("trait") not in _SIDE_BY_SIDE
    return weak or verdict.cause in _BY_THE_SUN


def _hedged(verdict: Verdict) -> Verdict:
    chance = min(verdict.confidence, _MOST)
    return replace(verdict, confidence=chance, others={**verdict.others, PAPERS: round(1.0 - chance, 2)})


def _planes(site: Site, subject: str) -> set[str]:
    """Planes that a subject's power comes from."""
    kind, _, name = subject.partition(":")
    name = name.partition("/")[0]
    return {
        s.plane
        for s in site.string
        if subject == "site"
        or (kind in ("string", "module") and s.id == name)
        or (kind == "inverter" and s.inverter == name)
    }
