"""How the findings of each cause came out, by what engineers said of them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import sqrt
from typing import Any

from monitor.detect.finding import Finding
from monitor.detect.ruling import Ruling

_Z95 = 1.959964


@dataclass(frozen=True, slots=True)
class Share:
    """A share of a number of cases, with its 95 % interval, all from 0 to 1."""

    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class TrackRecord:
    """Findings of one cause that were ever raised, and the last verdict on those that have one."""

    cause: str
    raised: int
    confirmed: int
    repaired: int
    no_fault: int

    @property
    def false_share(self) -> Share | None:
        """Share of the judged findings that were no fault; None before the first verdict."""
        judged = self.confirmed + self.repaired + self.no_fault
        return wilson(self.no_fault, judged) if judged else None

    def as_document(self) -> dict[str, Any]:
        """The record as other programs read it."""
        share = self.false_share
        return {
            "cause": self.cause,
            "raised": self.raised,
            "confirmed": self.confirmed,
            "repaired": self.repaired,
            "not_a_fault": self.no_fault,
            "false_share": None if share is None else share.share,
            "false_share_low": None if share is None else share.low,
            "false_share_high": None if share is None else share.high,
        }


def wilson(hits: int, cases: int) -> Share:
    """A share and its 95 % score interval, which stays within 0 and 1 and holds for few cases.

    Parameters
    ----------
    hits, cases : int
        How many of how many; `cases` at least 1.

    References
    ----------
    E. B. Wilson, Probable inference, the law of succession, and statistical inference, Journal of the American
    Statistical Association 22 (1927) 209.
    """
    share, z2 = hits / cases, _Z95**2
    middle = (share + z2 / (2 * cases)) / (1 + z2 / cases)
    half = _Z95 / (1 + z2 / cases) * sqrt(share * (1 - share) / cases + z2 / (4 * cases**2))
    return Share(share, max(middle - half, 0.0), min(middle + half, 1.0))


def track_records(findings: Collection[Finding], rulings: Collection[Ruling]) -> list[TrackRecord]:
    """The record of every cause that was ever found, by name; a verdict counts under the cause that it was given on."""
    last = {r.finding_id: r for r in sorted(rulings, key=lambda r: (r.day, r.given_at))}
    raised = {f.id: f.cause for f in findings} | {r.finding_id: r.cause for r in last.values()}
    return [
        TrackRecord(
            cause,
            sum(c == cause for c in raised.values()),
            *(sum(r.cause == cause and r.said == said for r in last.values())
              for said in ("confirmed", "repaired", "not-a-fault")),
        )
        for cause in sorted(set(raised.values()))
    ]  # fmt: skip
