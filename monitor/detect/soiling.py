"""Dirt on a whole roof: a loss that grows on all units alike, and goes at once with rain or cleaning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import partial

import numpy as np

from monitor.detect.night import DayLoss, SiteNight, Verdict
from monitor.detect.siblings import Member, members
from monitor.detect.underperforming_string import reported
from monitor.detect.weak import (
    CLEAR,
    CLEAR_BESIDE,
    Channel,
    Weakness,
    change_since,
    evidence_of,
    look,
    losses_since,
    outside_channel,
    still_there,
)

# Units of a dirty roof lose alike: none less than this part of what the worst loses.
_ALIKE = 0.4
# Dirt comes over weeks.
_LEAST_DAYS = 21


@dataclass(frozen=True, slots=True)
class Soiling:
    """Slow losses of everything on a roof, with the ratios between its units unchanged.

    Told by cloudless hours, by these beside the neighbours' cloudless hours, and by what sensor, weather or neighbours
    saw; where two speak, both must agree, because haze dims the first and a drifting sensor the last. A rain or a
    cleaning clears it.

    References
    ----------
    Deceglie, Micheli and Muller, IEEE J. Photovoltaics 8 (2018) 547, doi 10.1109/JPHOTOV.2017.2784682: slow loss and
    sudden recovery in a daily performance index.
    """

    cause: str = "soiling"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict for the site, on nights that told of all its units."""
        units = members(night)
        if not units:
            return []
        finding = night.open_finding("site", self.cause)
        if finding is not None:
            unit = finding.evidence.get("unit", units[0].subject)
            return [still_there(night, unit, finding, partial(_losses, night, units, night.day))]
        if any(night.open_finding(reported(night, u), "underperforming_string") for u in units):
            return []  # what was lost at once is told already; a season beneath it looks like dirt
        for channel in (outside_channel(night), CLEAR_BESIDE, CLEAR):
            drops = [look(night, unit.subject, channel) for unit in units]
            found = [w for w in drops if w is not None]
            if len(found) == len(units) and _creeps(night, units, found, channel):
                return [self._raised(night, units, found)]
        told = all("outside" in night.traits.get(u.subject, {}) for u in units)
        return [Verdict("site", self.cause, "healthy")] if told else []

    def _raised(self, night: SiteNight, units: list[Member], found: list[Weakness]) -> Verdict:
        worst = max(found, key=lambda w: w.drop.strength)
        size = float(np.median([w.drop.mean_size for w in found]))
        since = min(w.since for w in found)
        losses = _losses(night, units, since, size, worst.drop.sigma)
        several = len(units) > 1
        return Verdict(
            "site", self.cause, "trouble", confidence=0.75 if several else 0.6, since=since, losses=losses,
            evidence={**evidence_of(worst), "units": len(units), "unit": units[found.index(worst)].subject},
            nights_needed=3,
            others={"underperforming_string": 0.15} if several else {"underperforming_string": 0.3},
        )  # fmt: skip


def _creeps(night: SiteNight, units: list[Member], found: list[Weakness], channel: Channel) -> bool:
    """A slow loss, alike on all units, and borne out by the other witness where there is one."""
    sizes = np.array([w.drop.size for w in found])
    since = min(w.drop.since for w in found)
    if any(w.drop.shape != "ramp" for w in found) or sizes.max() > _ALIKE * sizes.min():
        return False
    if night.day.toordinal() - since < _LEAST_DAYS:
        return False
    other = CLEAR if channel.trait == "outside" else outside_channel(night)
    changes = [change_since(night, u.subject, other.trait, other.prior, since) for u in units]
    known = [c for c in changes if c is not None]
    if not known:
        return True
    size = max(c[0] for c in known)  # it is on every unit
    # Where the neighbours have told of the haze already, they need not tell twice: they must not say the contrary.
    doubt = float(np.median([c[1] for c in known])) if channel is CLEAR_BESIDE else 0.0
    return size - doubt < 0.3 * float(np.median(sizes))


def _losses(night: SiteNight, units: list[Member], since: date, size: float, sigma: float) -> tuple[DayLoss, ...]:
    """What all units lost on each day."""
    return _summed([losses_since(night, u.subject, since, size, sigma) for u in units])


def _summed(losses: list[tuple[DayLoss, ...]]) -> tuple[DayLoss, ...]:
    by_day: dict[object, list[DayLoss]] = {}
    for unit in losses:
        for loss in unit:
            by_day.setdefault(loss.day, []).append(loss)
    return tuple(
        DayLoss(parts[0].day, sum(p.kwh for p in parts), sum(p.low for p in parts), sum(p.high for p in parts))
        for parts in by_day.values()
    )
