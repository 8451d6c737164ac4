"""A finding as the interface shows it to other programs, wherever it appears."""

from __future__ import annotations

from typing import Any

from monitor.detect.finding import Finding


def finding_document(finding: Finding) -> dict[str, Any]:
    """The document of one finding."""
    return {
        "id": finding.id,
        "site": finding.site,
        "subject": finding.subject,
        "cause": finding.cause,
        "level": finding.level,
        "state": finding.state,
        "since": finding.since.isoformat(),
        "raised": finding.raised.isoformat(),
        "cleared": finding.cleared.isoformat() if finding.cleared else None,
        "confidence": finding.confidence,
        "verdict": finding.verdict,
        "lost_kwh": finding.lost_kwh,
        "lost_kwh_low": finding.lost_kwh_low,
        "lost_kwh_high": finding.lost_kwh_high,
        "lost_money": finding.lost_money,
        "summary": finding.summary,
        "evidence": finding.evidence,
        "advice": finding.advice,
    }
