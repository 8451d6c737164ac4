"""A module that makes too little beside the other modules of its string."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from monitor.detect.change import Prior
from monitor.detect.night import DayLoss, SiteNight, Verdict
from monitor.detect.weak import Channel, Weakness, change_since, evidence_of, look, still_there
from monitor.model.middle import median, quantile

# Modules of one string differ by about a per cent from day to day, and drift apart slowly.
PEER = Channel("peer_mid", Prior(sigma=0.015, wander=0.006, least=0.004), least_size=0.04, strength=4.5)
_SUM = Prior(sigma=0.02, wander=0.01, least=0.005)
# From the first day on: nameplates differ by a few per cent, so only a level below this says anything.
_BORN_WEAK, _BORN_DAYS = -0.10, 30
_Z80 = 1.2816


@dataclass(frozen=True, slots=True)
class UnderperformingModule:
    """Modules whose power has dropped for good, at once or slowly, or was too low from the first day.

    The middle interval of the day decides, which shade that passes over the module does not move.

    References
    ----------
    Peer comparison of module electronics; spread of sound modules about 1 %: common practice.
    """

    cause: str = "underperforming_module"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per module that told something tonight."""
        found = []
        for string in night.site.string:
            for number in range(1, string.modules + 1) if string.module_electronics else ():
                verdict = self._judge(night, f"module:{string.id}/{number:02d}")
                if verdict is not None:
                    found.append(verdict)
        return found

    def _judge(self, night: SiteNight, subject: str) -> Verdict | None:
        if PEER.trait not in night.traits.get(subject, {}):
            return None
        finding = night.open_finding(subject, self.cause)
        if finding is not None:
            return still_there(night, subject, finding, partial(_losses, night, subject, night.day.toordinal()))
        weakness = look(night, subject, PEER)
        if weakness is None:
            return self._from_the_start(night, subject)
        drop = weakness.drop
        whole = change_since(night, subject, "peer", _SUM, drop.since)
        if whole is not None and whole[0] > 0.5 * drop.size:  # the energy of the day does not bear it out
            return Verdict(subject, self.cause, "healthy")
        return Verdict(
            subject, self.cause, "trouble", confidence=_chance(weakness), since=weakness.since,
            losses=_losses(night, subject, weakness.since.toordinal(), drop.mean_size, drop.sigma),
            evidence=evidence_of(weakness), nights_needed=2,
        )  # fmt: skip

    def _from_the_start(self, night: SiteNight, subject: str) -> Verdict:
        """A level that was low on each of the first days, with nothing ever better."""
        days, values = night.series(subject, PEER.trait)
        total = night.series(subject, "peer")[1]
        low = quantile(values, 0.9) < _BORN_WEAK and quantile(total, 0.9) < _BORN_WEAK
        epoch = night.past.epochs.get(subject)
        if days.size < _BORN_DAYS or not low or (epoch is not None and epoch.accepted):
            return Verdict(subject, self.cause, "healthy")
        size, spread = median(values), 1.4826 * median(np.abs(values - median(values)))
        sigma = float(
            np.hypot(spread / np.sqrt(days.size), 0.03)
        )  # the others' middle is no better known than nameplates
        since = int(days[0])
        return Verdict(
            subject, self.cause, "trouble", confidence=0.7, since=night.day.fromordinal(since),
            losses=_losses(night, subject, since, size, sigma),
            evidence={
                "loss_fraction": round(1.0 - float(np.exp(size)), 4), "trait": PEER.trait, "shape": "from_the_start",
                "reference": 0.0, "log_change": round(size, 5), "log_change_sigma": round(sigma, 5),
                "days_after": int(days.size),
            },
            nights_needed=3,
            others={"shading_growth": 0.2},
        )  # fmt: skip


def _chance(weakness: Weakness) -> float:
    """Surer with a step than with a slow fade, and with more days."""
    sure = 0.95 if weakness.drop.shape == "step" else 0.85
    return sure if weakness.drop.days_after >= 8 else sure - 0.1


def _losses(night: SiteNight, subject: str, since: int, size: float, sigma: float) -> tuple[DayLoss, ...]:
    """What the module lost each day, from what it made: a part `f` of what should be there is missing."""
    days, made = night.series(subject, "made_kwh")
    whole = days >= since
    parts = [float(np.exp(-min(s, 0.0))) - 1.0 for s in (size, size + _Z80 * sigma, size - _Z80 * sigma)]
    return tuple(
        DayLoss(night.day.fromordinal(int(day)), *(float(kwh) * part for part in parts))
        for day, kwh in zip(days[whole], made[whole], strict=True)
    )
