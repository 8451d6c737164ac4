"""Who is asked whether a string is weak, and what each of them must say before it is believed."""

from __future__ import annotations

import numpy as np

from monitor.detect.change import MOST_BEFORE, Drop, Prior
from monitor.detect.night import SiteNight
from monitor.detect.siblings import Member, members
from monitor.detect.weak import (
    CLEAR,
    CLEAR_BESIDE,
    Channel,
    Weakness,
    by_sensor,
    change_since,
    outside_channel,
)
from monitor.model.middle import median

# Same-plane siblings: instrument noise and mismatch; voltage is steadier than power. Another plane sees another part of
# the sky, but dull light falls alike on both, and voltage hardly depends on the light.
VOLT = Channel("volt", Prior(sigma=0.006, wander=0.003, least=0.0015), least_size=0.015, strength=4.5)
VOLT_ROOF = Channel("volt_roof", Prior(sigma=0.008, wander=0.004, least=0.002), least_size=0.015, strength=4.5)
VOLT_BESIDE = Channel("volt_beside", Prior(sigma=0.010, wander=0.005, least=0.003), least_size=0.02, strength=4.5)
PEER = Channel("peer_mid", Prior(sigma=0.02, wander=0.008, least=0.004), least_size=0.025, strength=4.5)
# What a bad contact takes grows with the current: it shows in strong light, while the middle of the day moves little.
# Low sun and what stands in it are no part of that: the level keeps still from season to season.
STRONG = Channel("peer_strong", Prior(sigma=0.012, wander=0.005, least=0.003), least_size=0.03, strength=4.5)
ROOF_DULL = Channel(
    "roof_dull", Prior(sigma=0.03, wander=0.008, least=0.008), least_size=0.04, strength=4.5, rough=True
)
ROOF = Channel("roof", Prior(sigma=0.10, wander=0.05, least=0.02), least_size=0.08, strength=4.5, rough=True)
BY_VOLTAGE = (VOLT, VOLT_ROOF, VOLT_BESIDE)
# Of an all-day loss, the best third of the day has at least this part; passing shade leaves it alone.
_BEST_SHARE = 0.5
# A loss that grows with the current takes this part of it at least from mornings and evenings, too.
_SIDES_SHARE = 0.12
# A voltage drop without a loss of power is a matter of the voltmeter.
_POWER_OF_VOLTAGE = 0.4
# A hazy spell is no fault: with cloudless hours alone a loss must last longer.
HAZE_DAYS = 45
# But haze takes no more than this of cloudless hours, or of what weather and neighbours saw; ten days prove it.
_THICKEST_HAZE, _BEYOND_HAZE_DAYS = -0.16, 10
# Days with both readings before and after, the last ones that count, and the part of a drop that shows between meter
# and inverter instead.
_LEAST_METERED, _METERED_NOW, _METER_SHARE = 3, 10, 0.5
# Log odds from which on the sibling is taken to have become better.
_ROSE_ODDS = 2.0


def channels_of(night: SiteNight, member: Member) -> tuple[Channel, ...]:
    """The best witnesses that a unit has."""
    alone = (VOLT_BESIDE,) if night.series(member.subject, "volt_mid")[0].size else ()
    if night.series(member.subject, "peer_mid")[0].size:
        return (VOLT, PEER, STRONG, *alone)
    if night.series(member.subject, "roof")[0].size:
        return (VOLT_ROOF, ROOF_DULL, ROOF, CLEAR_BESIDE, CLEAR, *alone)
    return (*alone, CLEAR_BESIDE, CLEAR, outside_channel(night))


def is_believable(night: SiteNight, member: Member, weakness: Weakness) -> bool:
    """Whether the loss shows all day, a drop of voltage in the power as well, and no sibling has become better."""
    drop, trait, subject = weakness.drop, weakness.channel.trait, member.subject
    if _meter_contradicts(night, member, drop):
        return False
    if weakness.channel in (VOLT_ROOF, VOLT_BESIDE):
        power = power_since(night, subject, drop.since)
        risen = weakness.channel is VOLT_ROOF and _sibling_rose(night, member, weakness)
        return power is not None and power[0] - power[1] < _POWER_OF_VOLTAGE * drop.size and not risen
    if weakness.channel is CLEAR_BESIDE:
        seen = change_since(night, subject, "outside", outside_channel(night).prior, drop.since)
        return seen is None or seen[0] - seen[1] < _BEST_SHARE * drop.size
    if trait == "outside" and not _all_day(night, subject, drop):
        return False
    if trait in ("clear", "outside"):
        other = outside_channel(night) if trait == "clear" else CLEAR
        seen = change_since(night, subject, other.trait, other.prior, drop.since)
        if seen is None:
            return night.day.toordinal() - drop.since >= _days_alone(night, weakness)
        # Cloudless hours have more haze in them than a sensor has error.
        doubt = seen[1] if trait == "outside" and by_sensor(night.site) else 0.0
        return seen[0] - doubt < _BEST_SHARE * drop.size
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


def _all_day(night: SiteNight, subject: str, drop: Drop) -> bool:
    """Whether the best third of the days lost, too, as far as anybody knows: new shade leaves one alone."""
    best = change_since(night, subject, "outside_best", outside_channel(night).prior, drop.since)
    return best is None or best[0] < _BEST_SHARE * drop.size


def _days_alone(night: SiteNight, weakness: Weakness) -> int:
    """For how many days a drop has to last that nobody confirms: a sensor on the roof is under the same haze."""
    if weakness.channel.trait == "outside" and by_sensor(night.site):
        return 0 if weakness.drop.days_after >= _BEYOND_HAZE_DAYS else HAZE_DAYS
    return _BEYOND_HAZE_DAYS if weakness.drop.size < _THICKEST_HAZE else HAZE_DAYS


def power_since(night: SiteNight, subject: str, since: int) -> tuple[float, float] | None:
    """Change of a unit's power since a day, and its uncertainty (log units), by the surest witness of it."""
    for channel in (PEER, ROOF_DULL, CLEAR_BESIDE, outside_channel(night), CLEAR):
        change = change_since(night, subject, channel.trait, channel.prior, since)
        if change is not None:
            return change
    return None


def _meter_contradicts(night: SiteNight, member: Member, drop: Drop) -> bool:
    """Whether a generation meter shows that a reading has changed, and not the power.

    It goes on counting what the unit's own reading lacks; or it lacks what the one other unit reads more than before.
    """
    others = [m for m in members(night) if m.subject != member.subject]
    own = _meter_over_reading(night, member, drop.since)
    other = _meter_over_reading(night, others[0], drop.since) if len(others) == 1 else None
    moved = _METER_SHARE * drop.size
    return (own is not None and own > -moved) or (other is not None and other < moved)


def _meter_over_reading(night: SiteNight, member: Member, since: int) -> float | None:
    """Change of meter over inverter since a day (log units); None for strings, and where too little is known."""
    for meter in night.site.meter if member.string is None else ():
        if meter.role != "generation" or meter.inverter != member.inverter:
            continue
        days, counted = night.series(f"meter:{meter.id}", "own_kwh")
        read = night.series(f"meter:{meter.id}", "inverter_kwh")[1]
        told = (counted > 0.0) & (read > 0.0)
        ratios, after = np.log(counted[told] / read[told]), days[told] >= since
        if min(np.count_nonzero(after), np.count_nonzero(~after)) >= _LEAST_METERED:
            return median(ratios[after][-_METERED_NOW:]) - median(ratios[~after][-MOST_BEFORE:])
    return None


def _sibling_rose(night: SiteNight, member: Member, weakness: Weakness) -> bool:
    """Whether the one sibling there is became better, rather than this unit worse, by what others say of both.

    A sibling rises when the sun leaves the shade that it stood in from the first day.
    """
    others = [m for m in members(night) if m.subject != member.subject]
    if len(others) > 1:
        return False
    drop = weakness.drop.size
    odds = 0.0
    asked = [(outside_channel(night).trait, outside_channel(night).prior), (CLEAR.trait, CLEAR.prior)]
    if weakness.channel is VOLT_ROOF:
        asked = [(VOLT_BESIDE.trait, VOLT_BESIDE.prior)]
    for trait, prior in asked:
        own = change_since(night, member.subject, trait, prior, weakness.drop.since)
        other = change_since(night, others[0].subject, trait, prior, weakness.drop.since)
        if own is not None and other is not None:
            # Both share the sky's error; what is left of it decides who moved.
            middle, sigma = 0.5 * (own[0] + other[0]), max(own[1], other[1])
            odds += -drop * middle / sigma**2
    return odds > _ROSE_ODDS
