"""A string that works but makes too little all day long: bypassed module parts, missing modules, bad contacts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from monitor.detect.change import MOST_BEFORE, Drop, Prior
from monitor.detect.fallen_sibling import unless_the_sibling_fell
from monitor.detect.mirrored import mirrored
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.short_of_nameplate import FROM_THE_START, short_from_the_start
from monitor.detect.siblings import Member, members
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
    whole_days,
)
from monitor.model.middle import median

# Same-plane siblings: instrument noise and mismatch; voltage is steadier than power. Another plane sees another part of
# the sky, but dull light falls alike on both.
VOLT = Channel("volt", Prior(sigma=0.006, wander=0.003, least=0.0015), least_size=0.015, strength=4.5)
PEER = Channel("peer_mid", Prior(sigma=0.02, wander=0.008, least=0.004), least_size=0.025, strength=4.5)
# What a bad contact takes grows with the current: it shows in strong light, while the middle of the day moves little.
STRONG = Channel("peer_strong", Prior(sigma=0.02, wander=0.008, least=0.004), least_size=0.03, strength=4.5)
ROOF_DULL = Channel("roof_dull", Prior(sigma=0.03, wander=0.008, least=0.008), least_size=0.04, strength=4.5)
ROOF = Channel("roof", Prior(sigma=0.10, wander=0.05, least=0.02), least_size=0.08, strength=4.5)
# Of an all-day loss, the best third of the day has at least this part; passing shade leaves it alone.
_BEST_SHARE = 0.5
# A loss that grows with the current takes this part of it at least from mornings and evenings, too.
_SIDES_SHARE = 0.12
# A voltage drop without a loss of power is a matter of the voltmeter.
_POWER_OF_VOLTAGE = 0.4
_SUBSTRINGS = 3  # bypass diodes of a module: common practice
_STRONG_MINUS_WEAK = 0.02
# A hazy spell is no fault: with cloudless hours alone a loss must last longer.
HAZE_DAYS = 45
# A share of a string is told to so much: planes, dirt and clipping blur it.
_SHARE_MARGIN = 0.06
# Days with both readings before and after, the last ones that count, and the part of a drop that shows between meter
# and inverter instead.
_LEAST_METERED, _METERED_NOW, _METER_SHARE = 3, 10, 0.5
# Log odds from which on the sibling is taken to have become better.
_ROSE_ODDS = 2.0


@dataclass(frozen=True, slots=True)
class UnderperformingString:
    """Strings whose power or voltage has dropped for good beside their likes.

    The best witness that there is decides: the voltage beside a string of the same plane, the power beside one, the
    power beside other planes, and last what sensor, weather and neighbours say. The loss must show in every part of
    the day: what comes and goes with the sun's place is shade.

    References
    ----------
    Electrical signatures of bypassed substrings (voltage down by one part in three times the modules, current
    unchanged) and of soiling and shade: single-diode model of a string, common practice.
    """

    cause: str = "underperforming_string"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per string that told something tonight."""
        found = [self._judge(night, member) for member in members(night)]
        return [verdict for verdict in found if verdict is not None]

    def _judge(self, night: SiteNight, member: Member) -> Verdict | None:
        subject = reported(night, member)
        finding = night.open_finding(subject, self.cause)
        if finding is not None and finding.evidence.get("shape") != FROM_THE_START:
            whole = finding.evidence.get("whole_days_before")
            losses = partial(
                losses_since, night, member.subject, night.day, whole=None if whole is None else tuple(whole)
            )
            verdict = still_there(night, member.subject, finding, losses)
            return unless_the_sibling_fell(night, member, finding, verdict)
        channels = _channels(night, member)
        told = any(night.traits.get(member.subject, {}).get(c.trait) is not None for c in channels)
        drops = [w for c in channels if (w := look(night, member.subject, c)) is not None]
        found = [w for w in drops if _believable(night, member, w)]
        if not found:
            standing = Verdict(subject, self.cause, "healthy") if told else None
            return None if drops else short_from_the_start(night, member) or standing
        weakness = max(found, key=lambda w: w.drop.strength)
        if weakness.channel.trait in ("clear", CLEAR_BESIDE.trait, "outside") and weakness.drop.shape == "ramp":
            return None  # what grows on all that can be compared is dirt or age
        return self._raised(night, member, weakness)

    def _raised(self, night: SiteNight, member: Member, weakness: Weakness) -> Verdict:
        drop = weakness.drop
        signs = _signs(night, member, weakness)
        chance = _chance(weakness, signs)
        whole = whole_days(night, member.subject, weakness.since)
        if whole is not None:
            signs["whole_days_before"] = [round(part, 5) for part in whole]
        fitting = _strings_of_that_share(night, member, weakness)
        if fitting:
            signs["share_of_one_string"] = True
        others = {"shading_growth": round(1.0 - chance, 2)} if chance < 0.9 else {}
        if mirrored(night, member.subject, drop.since):
            chance, others = 0.5, {"data_fault": 0.5}
        return Verdict(
            reported(night, member),
            self.cause,
            "trouble",
            confidence=chance,
            since=weakness.since,
            losses=losses_since(night, member.subject, weakness.since, drop.mean_size, drop.sigma, whole),
            evidence={**evidence_of(weakness), **signs},
            nights_needed=2,
            others=others,
        )


def reported(night: SiteNight, member: Member) -> str:
    """The subject that a finding names: an inverter's only string, where nobody measures it."""
    if member.string is None:
        strings = night.site.strings_of(member.inverter)
        if len(strings) == 1:
            return f"string:{strings[0].id}"
    return member.subject


def _strings_of_that_share(night: SiteNight, member: Member, weakness: Weakness) -> list[str]:
    """Strings behind an inverter, measured as a whole, whose share of its nameplate is what was lost at once."""
    strings = night.site.strings_of(member.inverter)
    if member.string is not None or len(strings) < 2 or weakness.drop.shape != "step":
        return []
    total, drop = sum(s.rated_w for s in strings), weakness.drop
    margin = max(2.0 * drop.sigma * (1.0 - drop.loss_fraction), _SHARE_MARGIN)
    return [s.id for s in strings if abs(s.rated_w / total - drop.loss_fraction) < margin]


def _channels(night: SiteNight, member: Member) -> tuple[Channel, ...]:
    """The best witnesses that a unit has."""
    if night.series(member.subject, "peer_mid")[0].size:
        return (VOLT, PEER, STRONG)
    if night.series(member.subject, "roof")[0].size:
        return (ROOF_DULL, ROOF, CLEAR_BESIDE, CLEAR)
    return (CLEAR_BESIDE, CLEAR, outside_channel(night))


def _believable(night: SiteNight, member: Member, weakness: Weakness) -> bool:
    """Whether the loss shows all day, a drop of voltage in the power as well, and no sibling has become better."""
    drop, trait, subject = weakness.drop, weakness.channel.trait, member.subject
    if _meter_counts_it(night, member, drop):
        return False
    if weakness.channel is CLEAR_BESIDE:
        seen = change_since(night, subject, "outside", outside_channel(night).prior, drop.since)
        return seen is None or seen[0] - seen[1] < _BEST_SHARE * drop.size
    if trait in ("clear", "outside"):
        other = outside_channel(night) if trait == "clear" else CLEAR
        seen = change_since(night, subject, other.trait, other.prior, drop.since)
        if seen is None:  # haze lasts for weeks
            return trait == "clear" and night.day.toordinal() - drop.since >= HAZE_DAYS
        return seen[0] < _BEST_SHARE * drop.size
    if _sibling_rose(night, member, weakness):
        return False
    if trait == "peer_strong":
        sides = [change_since(night, subject, f"peer_{side}", PEER.prior, drop.since) for side in ("am", "pm")]
        return all(side is not None and side[0] < _SIDES_SHARE * drop.size for side in sides)
    if trait == "volt":
        power = change_since(night, subject, "peer_mid", PEER.prior, drop.since)
        return power is not None and power[0] < _POWER_OF_VOLTAGE * drop.size + power[1]
    kind, prior = ("peer", PEER.prior) if trait == "peer_mid" else ("roof", ROOF.prior)
    best = change_since(night, subject, f"{kind}_best", prior, drop.since)
    return best is not None and best[0] < _BEST_SHARE * drop.size + (0.0 if kind == "peer" else best[1])


def _meter_counts_it(night: SiteNight, member: Member, drop: Drop) -> bool:
    """Whether a generation meter goes on counting what an inverter's own reading lacks since a day."""
    for meter in night.site.meter if member.string is None else ():
        if meter.role != "generation" or meter.inverter != member.inverter:
            continue
        days, counted = night.series(f"meter:{meter.id}", "own_kwh")
        read = night.series(f"meter:{meter.id}", "inverter_kwh")[1]
        told = (counted > 0.0) & (read > 0.0)
        ratios, after = np.log(counted[told] / read[told]), days[told] >= drop.since
        if min(np.count_nonzero(after), np.count_nonzero(~after)) >= _LEAST_METERED:
            now, before = median(ratios[after][-_METERED_NOW:]), median(ratios[~after][-MOST_BEFORE:])
            return bool(now - before > -_METER_SHARE * drop.size)
    return False


def _sibling_rose(night: SiteNight, member: Member, weakness: Weakness) -> bool:
    """Whether the one sibling there is became better, rather than this unit worse, by what others say of both.

    A sibling rises when the sun leaves the shade that it stood in from the first day.
    """
    others = [m for m in members(night) if m.subject != member.subject]
    if len(others) > 1:
        return False
    drop = weakness.drop.size
    odds = 0.0
    for trait, prior in (("outside", outside_channel(night).prior), ("clear", CLEAR.prior)):
        own = change_since(night, member.subject, trait, prior, weakness.drop.since)
        other = change_since(night, others[0].subject, trait, prior, weakness.drop.since)
        if own is not None and other is not None:
            # Both share the sky's error; what is left of it decides who moved.
            middle, sigma = 0.5 * (own[0] + other[0]), max(own[1], other[1])
            odds += -drop * middle / sigma**2
    return odds > _ROSE_ODDS


def _signs(night: SiteNight, member: Member, weakness: Weakness) -> dict[str, object]:
    """What else has changed with the power: voltage, current, morning and afternoon, strong and weak light."""
    subject, since = member.subject, weakness.drop.since
    kind = "peer" if night.series(subject, "peer")[0].size else "roof"
    prior = PEER.prior if kind == "peer" else ROOF.prior
    signs: dict[str, object] = {}
    for name, trait, usual in (
        ("voltage_change", "volt", VOLT.prior), ("current_change", "amp", PEER.prior), ("power_change", kind, prior),
        ("morning_change", f"{kind}_am", prior), ("noon_change", f"{kind}_noon", prior),
        ("afternoon_change", f"{kind}_pm", prior), ("dull_change", f"{kind}_dull", prior),
        ("strong_light_change", f"{kind}_strong", prior), ("weak_light_change", f"{kind}_weak", prior),
    ):  # fmt: skip
        change = change_since(night, subject, trait, usual, since)
        if change is not None:
            signs[name] = round(change[0], 4)
    volts = signs.get("voltage_change")
    if isinstance(volts, float) and volts < -0.01 and member.string is not None:
        parts = -volts * _SUBSTRINGS * member.string.modules
        signs["substrings_bypassed"] = max(round(parts), 1)
        signs["substrings_fit"] = round(abs(parts - max(round(parts), 1)), 2)
    strong, weak = signs.get("strong_light_change"), signs.get("weak_light_change")
    if kind == "peer" and isinstance(strong, float) and isinstance(weak, float) and strong < weak - _STRONG_MINUS_WEAK:
        signs["grows_with_current"] = True
    return signs


def _chance(weakness: Weakness, signs: dict[str, object]) -> float:
    """Chance that it is the string itself and no shade or dirt, by the spread over the day and by the voltage."""
    volts, power = signs.get("voltage_change"), signs.get("power_change")
    if isinstance(volts, float) and isinstance(power, float) and power < 0.0 and 0.5 < volts / power < 1.6:
        return 0.95
    if signs.get("grows_with_current"):
        return 0.85
    parts = [v for k in ("morning_change", "noon_change", "afternoon_change") if isinstance(v := signs.get(k), float)]
    if len(parts) < 2:
        return 0.55
    uneven = float(np.ptp(parts)) / max(-weakness.drop.size, 1e-3)
    return float(np.clip(0.9 - 0.4 * uneven, 0.4, 0.85))
