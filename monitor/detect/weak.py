"""A unit that makes too little: what the judgements of weak strings and weak modules share."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from ingest.readings import Mask, Seconds, Values
from ingest.sources import points_of
from monitor.config.models import Site
from monitor.detect.change import MOST_BEFORE, Drop, Prior, find_drop, recovered
from monitor.detect.delivered import USUAL_EFFICIENCY
from monitor.detect.finding import Finding
from monitor.detect.night import DayLoss, SiteNight, Verdict
from monitor.detect.regional import SHARED, beside_neighbours
from monitor.model.middle import median

_Z80 = 1.2816
_MEDIAN_VARIANCE = 1.57  # of a median over that of a mean, of normal values: pi / 2
# So many of a unit's last days must have told something for a judgement tonight.
_FRESH_DAYS = 10
# So many usable days are needed before a change, or a baseline is not one yet.
LEARNING_DAYS = 25
# A day's energy beside the siblings' tells of that day's loss where it scatters by less than this part of the loss.
_WHOLE, _CLEAR_SCATTER = "peer", 0.35
# After a repair a part of the loss may be left: so much of it, beyond so many sigmas, on the middle of so many days.
_LEFT_SHARE, _LEFT_SIGMAS, _LEFT_DAYS = 0.25, 4.5, 5


@dataclass(frozen=True, slots=True)
class Channel:
    """A trait that tells of a loss, what a healthy one looks like, and from where on a drop is believed."""

    trait: str
    prior: Prior
    least_size: float  # of the drop, log units
    strength: float  # of the drop, in sigmas
    rough: bool = False  # days of little light scatter more than those that the noise was learned from


# Without siblings: cloudless hours with their haze, or without what neighbours share of it, and what sensor, weather or
# neighbours saw, each with its own error.
CLEAR = Channel("clear", Prior(sigma=0.05, wander=0.025, least=0.015), least_size=0.06, strength=4.5, rough=True)
CLEAR_BESIDE = Channel(
    "clear_beside", Prior(sigma=0.03, wander=0.012, least=0.012), least_size=0.04, strength=4.5, rough=True
)
_BY_SENSOR = Channel("outside", Prior(sigma=0.04, wander=0.015, least=0.01), least_size=0.03, strength=4.5, rough=True)
_BY_WEATHER = Channel("outside", Prior(sigma=0.12, wander=0.04, least=0.03), least_size=0.06, strength=4.5, rough=True)
_BY_NEIGHBOURS = Channel(
    "outside", Prior(sigma=0.15, wander=0.06, least=0.03), least_size=0.08, strength=4.5, rough=True
)


def outside_channel(night: SiteNight) -> Channel:
    """What is expected of the trait `outside` tonight."""
    return outside_channel_of(night.site)


def outside_channel_of(site: Site) -> Channel:
    """What is expected of the trait `outside` at a site, by the surest source that it has."""
    if by_sensor(site):
        return _BY_SENSOR
    return _BY_WEATHER if "irradiance_ghi" in _measured(site) or site.services else _BY_NEIGHBOURS


def by_sensor(site: Site) -> bool:
    """Whether a sensor in the plane of the modules tells a site its light."""
    return "irradiance_poa" in _measured(site)


def _measured(site: Site) -> set[str]:
    return {p.quantity for source in site.source for p in points_of(source) if p.of == "site"}


@dataclass(frozen=True, slots=True)
class Weakness:
    """A drop that was found, and in which channel."""

    channel: Channel
    drop: Drop

    @property
    def since(self) -> date:
        """The estimated first day."""
        return date.fromordinal(self.drop.since)


def _stands_out_now(after: Values, drop: Drop, channel: Channel) -> bool:
    """Whether a step stands out of the scatter of the days since, too, which may be that of another season."""
    if drop.shape == "ramp":
        return True
    scatter = 1.4826 * median(np.abs(after - median(after)))
    sigma = np.hypot(drop.sigma, np.sqrt(_MEDIAN_VARIANCE / after.size) * scatter)
    return bool(-drop.size >= channel.strength * sigma)


def readings(night: SiteNight, subject: str, trait: str) -> tuple[Seconds, Values]:
    """Day ordinals and values of a trait, one that is kept or one that is worked out beside the neighbours."""
    return beside_neighbours(night, subject, trait) if trait in SHARED else night.series(subject, trait)


def look(night: SiteNight, subject: str, channel: Channel) -> Weakness | None:
    """Look for a lasting drop of a channel that is believable by itself; None on nights that tell nothing new."""
    if channel.trait in SHARED and not _lies_low(night, subject, channel):
        return None
    days, values = readings(night, subject, channel.trait)
    if not days.size or days[-1] != night.day.toordinal():
        return None
    drop = find_drop(days, values, channel.prior, learn=_healthy(night, subject, days))
    if drop is None or drop.size > -channel.least_size or drop.strength < channel.strength:
        return None
    if channel.rough and not _stands_out_now(values[days >= drop.since], drop, channel):
        return None
    # What began while the baseline was being learned may be the baseline's fault.
    return Weakness(channel, drop) if np.count_nonzero(days < drop.since) >= LEARNING_DAYS else None


def change_since(night: SiteNight, subject: str, trait: str, prior: Prior, since: int) -> tuple[float, float] | None:
    """Change of a trait from before a day to after it, and its uncertainty (log units); None if too little is known."""
    days, values = readings(night, subject, trait)
    healthy = _healthy(night, subject, days)
    before, after = (days < since) & healthy & (days >= since - 120), days >= since
    counts = np.array([np.count_nonzero(before), np.count_nonzero(after)], np.float64)
    if counts.min() < 3:
        return None
    change = float(median(values[after]) - median(values[before]))
    scatter = [1.4826 * median(np.abs(values[part] - median(values[part]))) for part in (before, after)]
    sigma = max(float(np.mean(scatter)), prior.least)
    memory = (1.0 + prior.rho) / (1.0 - prior.rho)
    return change, float(np.sqrt(np.sum(_MEDIAN_VARIANCE * memory * sigma**2 / counts) + prior.wander**2))


def losses_since(
    night: SiteNight, subject: str, since: date, size: float, sigma: float, whole: Sequence[float] | None = None
) -> tuple[DayLoss, ...]:
    """What a unit lost by a drop on each day from `since` to tonight, by what was expected of it.

    Energy that its inverter could not have taken does not count. `whole` (see `whole_days`) is given where each day's
    energy beside the siblings tells of that day better than the drop does.
    """
    first = since.toordinal()
    factor = USUAL_EFFICIENCY if subject.startswith("string:") else 1.0
    notes = night.past.between(subject, since, night.day)
    found = {n.day.toordinal(): factor * n.expected_kwh for n in notes if n.expected_kwh is not None}
    days, felt = night.series(subject, "felt_kwh")
    found |= dict(zip(days[days >= first].tolist(), felt[days >= first].tolist(), strict=True))
    own = {} if whole is None else _own_sizes(night, subject, first, size, whole)
    losses = []
    for day, kwh in sorted(found.items()):
        at = own.get(day, size)
        width = _Z80 * float(np.hypot(sigma, whole[1] if whole is not None and day in own else 0.0))
        parts = [1.0 - float(np.exp(min(s, 0.0))) for s in (at, at + width, at - width)]
        losses.append(DayLoss(date.fromordinal(day), *(kwh * part for part in parts)))
    return tuple(losses)


def whole_days(night: SiteNight, subject: str, since: date) -> tuple[float, float] | None:
    """Level and scatter, before a day, of a unit's daily energy beside its siblings; None where there are none."""
    days, values = night.series(subject, _WHOLE)
    before = values[(days < since.toordinal()) & _healthy(night, subject, days)][-MOST_BEFORE:]
    if before.size < LEARNING_DAYS:
        return None
    level = median(before)
    return level, 1.4826 * median(np.abs(before - level))


def _own_sizes(night: SiteNight, subject: str, first: int, size: float, whole: Sequence[float]) -> dict[int, float]:
    """Each day's own change of energy beside the siblings, where it stands out of its scatter."""
    level, scatter = whole
    if scatter > _CLEAR_SCATTER * abs(size):
        return {}
    days, values = night.series(subject, _WHOLE)
    return {int(d): float(v) - level for d, v in zip(days, values, strict=True) if d >= first}


def is_back(night: SiteNight, subject: str, finding: Finding) -> bool | None:
    """Whether the trait that a finding rests on is back where it was; None on nights that do not tell."""
    evidence = finding.evidence
    if "trait" not in evidence:
        return None
    days, values = readings(night, subject, evidence["trait"])
    recent = days > night.day.toordinal() - 3 * _FRESH_DAYS
    if not days.size or days[-1] != night.day.toordinal():
        return None
    back = recovered(days[recent], values[recent], reference=evidence["reference"], size=evidence["log_change"])
    return back and not _half_repaired(values, evidence)


def _half_repaired(values: Values, evidence: Mapping[str, Any]) -> bool:
    """Whether so much of a drop is left that it would be believed by itself."""
    left = evidence["reference"] - median(values[-_LEFT_DAYS:])
    return bool(left > max(_LEFT_SHARE * abs(evidence["log_change"]), _LEFT_SIGMAS * evidence["log_change_sigma"]))


def level_now(night: SiteNight, subject: str, finding: Finding) -> tuple[float, float]:
    """An open finding's change of level by all days since it began (a ramp: by the last weeks), and its uncertainty."""
    evidence = finding.evidence
    days, values = readings(night, subject, evidence["trait"])
    first = finding.since.toordinal()
    if evidence.get("shape") == "ramp":
        first = max(first, night.day.toordinal() - 2 * _FRESH_DAYS)
    after = values[days >= first]
    lately = values[-_LEFT_DAYS:]
    if lately.size == _LEFT_DAYS and median(lately) > evidence["reference"] + 0.5 * evidence["log_change"]:
        after = lately  # half repaired
    if after.size < 3:
        return evidence["log_change"], evidence["log_change_sigma"]
    return float(median(after) - evidence["reference"]), evidence["log_change_sigma"]


def still_there(
    night: SiteNight, unit: str, finding: Finding, losses_of: Callable[[float, float], tuple[DayLoss, ...]]
) -> Verdict:
    """Tonight's verdict on an open finding of a drop: it is back where it was, still there, or nobody can tell.

    `unit` is whose trait it rests on; `losses_of` gives tonight's loss by the level now and its uncertainty.
    """
    back = is_back(night, unit, finding)
    if back:
        return Verdict(finding.subject, finding.cause, "healthy")
    size, sigma = level_now(night, unit, finding)
    return Verdict(
        finding.subject,
        finding.cause,
        "unclear" if back is None else "trouble",
        confidence=finding.confidence,
        losses=losses_of(size, sigma),
        evidence=kept_evidence(finding, size),
        level=finding.level,
        others=finding.evidence.get("other_causes", {}),
    )


def evidence_of(weakness: Weakness) -> dict[str, object]:
    """What a finding keeps of a drop: the later nights compare with it."""
    drop = weakness.drop
    return {
        "loss_fraction": round(drop.loss_fraction, 4),
        "trait": weakness.channel.trait,
        "shape": drop.shape,
        "reference": round(drop.reference, 5),
        "log_change": round(drop.size, 5),
        "log_change_sigma": round(drop.sigma, 5),
        "strength": round(drop.strength, 1),
        "days_after": drop.days_after,
    }


def kept_evidence(finding: Finding, size: float) -> dict[str, object]:
    """An open finding's evidence with its level brought up to date."""
    own: Mapping[str, object] = finding.evidence
    dropped = ("days_seen", "good_days", "unseen_days", "other_causes", "earlier_causes")
    kept = {k: v for k, v in own.items() if k not in dropped}
    return {**kept, "loss_fraction": round(1.0 - float(np.exp(min(size, 0.0))), 4), "log_change_now": round(size, 5)}


def _lies_low(night: SiteNight, subject: str, channel: Channel) -> bool:
    """Whether a unit's last days lie low at all, whatever the neighbours share of it: before they are asked."""
    days, values = night.series(subject, SHARED[channel.trait].of)
    if not days.size or days[-1] != night.day.toordinal() or days.size < LEARNING_DAYS:
        return False
    before, shared = median(values[:-5][-MOST_BEFORE:]), channel.prior.sigma
    return median(values[-5:]) < before - 0.5 * channel.least_size + shared


def _healthy(night: SiteNight, subject: str, days: Seconds) -> Mask:
    """Which days (ordinals) no finding was open on a subject, shape of `days`."""
    troubled = night.series(subject, "open")[0]
    return ~np.isin(days, troubled) if troubled.size else np.ones(days.shape, dtype=bool)
