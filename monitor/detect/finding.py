"""The finding: one trouble of one subject, with its life, its loss and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

Level = Literal["urgent", "visit", "watch", "note"]
State = Literal["open", "cleared"]

LEVELS: tuple[Level, ...] = ("note", "watch", "visit", "urgent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A trouble (or a note) as the service team, the digests and the JSON know it."""

    id: str
    site: str
    subject: str
    cause: str
    level: Level
    state: State
    since: date  # estimated first local day of the trouble
    raised: date  # local day whose assessment first reported it
    cleared: date | None  # local day whose assessment closed it
    last_seen: date  # last local day on which the trouble showed
    confidence: float
    lost_kwh: float
    lost_kwh_low: float
    lost_kwh_high: float
    lost_money: float | None
    summary: str
    evidence: dict[str, Any] = field(default_factory=dict)
    advice: dict[str, str] = field(default_factory=dict)  # reader ("service", "homeowner") to text

    @property
    def verdict(self) -> str | None:
        """What an engineer last said of it: confirmed, not-a-fault or repaired; None while nobody did."""
        said: str | None = self.evidence.get("verdict", {}).get("said")
        return said

    @property
    def is_closed_by_hand(self) -> bool:
        """Whether an engineer closed it: what comes after is another trouble."""
        return self.state == "cleared" and self.verdict in ("not-a-fault", "repaired")
