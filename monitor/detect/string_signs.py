"""What else changed with a weak string's power, and how sure it is that the string itself is at fault."""

from __future__ import annotations

import numpy as np

from monitor.detect.night import SiteNight
from monitor.detect.siblings import Member
from monitor.detect.string_witnesses import BY_VOLTAGE, PEER, ROOF, VOLT_BESIDE, VOLT_ROOF, power_since
from monitor.detect.weak import Weakness, change_since

_SUBSTRINGS = 3  # bypass diodes of a module: common practice
# A loss of a whole number of them fits within this part of one.
FITS = 0.35
_STRONG_MINUS_WEAK = 0.02
# A power that is known better than to half of the drop bears it out where it agrees within two sigmas.
_KNOWN, _AGREES = 0.5, 2.0


def signs_of(night: SiteNight, member: Member, weakness: Weakness) -> dict[str, object]:
    """What else has changed with the power: voltage, current, morning and afternoon, strong and weak light."""
    subject, since = member.subject, weakness.drop.since
    kind = "peer" if night.series(subject, "peer")[0].size else "roof"
    prior = PEER.prior if kind == "peer" else ROOF.prior
    signs: dict[str, object] = {}
    for name, trait, usual in (
        ("current_change", "amp", PEER.prior), ("power_change", kind, prior),
        ("morning_change", f"{kind}_am", prior), ("noon_change", f"{kind}_noon", prior),
        ("afternoon_change", f"{kind}_pm", prior), ("dull_change", f"{kind}_dull", prior),
        ("strong_light_change", f"{kind}_strong", prior), ("weak_light_change", f"{kind}_weak", prior),
    ):  # fmt: skip
        change = change_since(night, subject, trait, usual, since)
        if change is not None:
            signs[name] = round(change[0], 4)
    for channel in BY_VOLTAGE:
        change = change_since(night, subject, channel.trait, channel.prior, since)
        if change is not None:
            signs["voltage_change"] = round(change[0], 4)
            break
    volts = signs.get("voltage_change")
    if isinstance(volts, float) and volts < -0.01 and member.string is not None:
        parts = -volts * _SUBSTRINGS * member.string.modules
        signs["substrings_bypassed"] = max(round(parts), 1)
        signs["substrings_fit"] = round(abs(parts - max(round(parts), 1)), 2)
    strong, weak = signs.get("strong_light_change"), signs.get("weak_light_change")
    if kind == "peer" and isinstance(strong, float) and isinstance(weak, float) and strong < weak - _STRONG_MINUS_WEAK:
        signs["grows_with_current"] = True
    return signs


def chance_of(night: SiteNight, member: Member, weakness: Weakness, signs: dict[str, object]) -> float:
    """Chance that it is the string itself and no shade or dirt, by the spread over the day and by the voltage."""
    if weakness.channel in (VOLT_ROOF, VOLT_BESIDE):
        fits = float(str(signs.get("substrings_fit", 1.0))) < FITS
        return (0.9 if _borne_out(night, member, weakness) else 0.65) + (0.05 if fits else 0.0)
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


def _borne_out(night: SiteNight, member: Member, weakness: Weakness) -> bool:
    """Whether the power is known well enough to tell a loss from a voltmeter that drifts, and tells of it."""
    power, size = power_since(night, member.subject, weakness.drop.since), weakness.drop.size
    return power is not None and power[1] < -_KNOWN * size and abs(power[0] - size) < _AGREES * power[1]
