"""Strings and modules beside their likes on the same roof: the night's log ratios of power, voltage and current."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ingest.readings import Mask, Values
from monitor.config.models import String
from monitor.detect.held import held_back
from monitor.detect.night import SiteNight
from monitor.model.ladder import weighted_median
from monitor.model.physics import CLEAR_NODE, at_index

# An interval tells when this part of the nameplate is modelled; a day when it holds so many of them.
_LIT_SHARE = 0.10
_LEAST_INTERVALS = 6
# Strong and weak light, by modelled power over the nameplate.
_STRONG, _WEAK = 0.45, 0.25
# A sky state below this is dull: hardly any light comes straight from the sun.
_DULL_INDEX = 0.35
_LEAST_OF_RATED = 0.004


def observe_siblings(night: SiteNight) -> dict[str, dict[str, float]]:
    """Compare every string with the others of its plane (or roof), and every module with the others of its string.

    Traits, all natural logarithms of own over others, each against what the model gives for that unit:

    - `peer`: energy of the day; `peer_mid`: the middle interval; `peer_am`, `peer_noon`, `peer_pm`: thirds of the
      day's energy; `peer_dull`: intervals under a dull sky; `peer_strong`, `peer_weak`: by strength of the light.
      Against strings of the same plane; where there are none, `roof` and its likes in place of `peer`.
    - `volt`, `amp`: voltage and current beside those of strings of the same plane, in the middle interval.

    Intervals in which an inverter was held back, anybody stood still or the light is weak are left out. A day with
    less than an hour and a half of them has no traits.
    """
    if night.physics is None:
        return {}
    usual = {s.id: _over_model(night, s) for s in night.site.string if f"string:{s.id}" in night.units}
    seen: dict[str, dict[str, float]] = {}
    for string in night.site.string:
        if string.id in usual:
            traits = _string_traits(night, string, usual)
            if traits:
                seen[f"string:{string.id}"] = traits
        if string.module_electronics:
            seen |= _module_traits(night, string)
    return seen


def modelled(night: SiteNight, string: String) -> Values:
    """Power of a string that the sky of the day stands for, by its learned gain [W], shape (T,); NaN where unknown."""
    assert night.physics is not None
    subject = f"string:{string.id}"
    gain = night.gains[subject].clear_sky if subject in night.gains else 1.0
    return np.asarray(gain * at_index(night.physics.power_w[subject], night.index))


def _over_model(night: SiteNight, string: String) -> Values:
    """Measured over modelled power where it tells something, shape (T,); NaN elsewhere."""
    unit = night.units[f"string:{string.id}"]
    expected = modelled(night, string)
    with np.errstate(invalid="ignore", divide="ignore"):
        lit = (expected > _LIT_SHARE * unit.rated_w) & ~held_back(night, string.inverter)
        return np.where(lit, unit.power_w / expected, np.nan)


def _string_traits(night: SiteNight, string: String, usual: Mapping[str, Values]) -> dict[str, float]:
    others = [s for s in night.site.string if s.id != string.id and s.id in usual]
    same = [s for s in others if s.plane == string.plane]
    traits: dict[str, float] = {}
    if others:
        name = "peer" if same else "roof"
        reference = _middle([usual[s.id] for s in same or others])
        traits |= _profile(night, string, usual[string.id], reference, name)
    if same and not string.module_electronics:
        for name, quantity, nameplate in (("volt", "dc_voltage", _volts), ("amp", "dc_current", _amperes)):
            ratio = _electrical(night, string, same, quantity, nameplate, usual)
            if ratio is not None:
                traits[name] = ratio
    return traits


def _middle(members: Sequence[Values]) -> Values:
    if len(members) == 1:
        return members[0]
    with np.errstate(invalid="ignore"):
        standing = [np.where(m > _LEAST_OF_RATED, m, np.nan) for m in members]
    return weighted_median(np.stack(standing), np.ones(len(members)))


def _profile(night: SiteNight, string: String, own: Values, reference: Values, name: str) -> dict[str, float]:
    """Log ratios of a day, as a whole and by its parts."""
    weight = modelled(night, string)
    with np.errstate(invalid="ignore"):
        both = ~np.isnan(own) & (reference > _LEAST_OF_RATED)
    if np.count_nonzero(both) < _LEAST_INTERVALS:
        return {}
    assert night.physics is not None
    clear = night.physics.power_w[f"string:{string.id}"][CLEAR_NODE]
    order = np.cumsum(clear) / max(float(np.sum(clear)), 1e-9)
    rated = string.rated_w
    parts: dict[str, Mask] = {
        "": both,
        "_am": both & (order <= 1.0 / 3.0),
        "_noon": both & (order > 1.0 / 3.0) & (order <= 2.0 / 3.0),
        "_pm": both & (order > 2.0 / 3.0),
        "_dull": both & (np.nan_to_num(night.index, nan=1.0) < _DULL_INDEX),
        "_strong": both & (weight > _STRONG * rated),
        "_weak": both & (weight < _WEAK * rated),
    }
    found = {}
    for part, where in parts.items():
        least = _LEAST_INTERVALS if part == "" else _LEAST_INTERVALS // 2
        if np.count_nonzero(where) < least:
            continue
        mine, theirs = (float(np.sum(weight[where] * r[where])) for r in (own, reference))
        if mine > 0.0 and theirs > 0.0:
            found[name + part] = float(np.log(mine / theirs))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = np.log(own[both] / reference[both])
    found[name + "_mid"] = float(np.clip(np.median(ratios), -5.0, 5.0))
    return found


def _volts(string: String) -> float:
    return string.modules * string.module.vmp_v


def _amperes(string: String) -> float:
    return string.module.imp_a


def _electrical(
    night: SiteNight,
    string: String,
    same: Sequence[String],
    quantity: str,
    nameplate: object,
    usual: Mapping[str, Values],
) -> float | None:
    assert callable(nameplate)
    own = night.on_grid(f"string:{string.id}", quantity)
    members = [values / nameplate(s) for s in same if (values := night.on_grid(f"string:{s.id}", quantity)) is not None]
    if own is None or not members:
        return None
    reference = _middle(members)
    with np.errstate(invalid="ignore"):
        at_work = (usual[string.id] > 0.05) & (own > 0.0) & (reference > 0.0)
    if np.count_nonzero(at_work) < _LEAST_INTERVALS:
        return None
    return float(np.median(np.log(own[at_work] / nameplate(string) / reference[at_work])))


def _module_traits(night: SiteNight, string: String) -> dict[str, dict[str, float]]:
    """`peer` and `peer_mid` of each module beside the middle of its string's modules."""
    powers = module_powers(night, string)
    if len(powers) < 3:
        return {}
    stack = np.stack(list(powers.values()))
    middle = weighted_median(stack, np.ones(len(powers)))
    rated = string.module.pmp_w
    with np.errstate(invalid="ignore"):
        lit = (middle > _LIT_SHARE * rated) & ~held_back(night, string.inverter)
    seen = {}
    for subject, power in powers.items():
        both = lit & ~np.isnan(power)
        if np.count_nonzero(both) < _LEAST_INTERVALS:
            continue
        mine, theirs = float(np.sum(np.maximum(power[both], 0.0))), float(np.sum(middle[both]))
        with np.errstate(divide="ignore"):
            each = np.log(np.maximum(power[both], 1e-3) / middle[both])
        seen[subject] = {
            "made_kwh": mine * 0.25 / 1000.0,
            "peer": float(np.log(max(mine, 1e-3 * theirs) / theirs)),
            "peer_mid": float(np.median(each)),
        }
    return seen


def module_powers(night: SiteNight, string: String) -> dict[str, Values]:
    """Recorded power of a string's modules on the day's grid [W], by subject."""
    found = {}
    for number in range(1, string.modules + 1):
        subject = f"module:{string.id}/{number:02d}"
        power = night.on_grid(subject, "dc_power")
        if power is None:
            volts, amperes = night.on_grid(subject, "dc_voltage"), night.on_grid(subject, "dc_current")
            power = volts * amperes if volts is not None and amperes is not None else None
        if power is not None:
            found[subject] = power
    return found
