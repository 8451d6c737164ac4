"""Strings and modules beside their likes on the same roof: the night's log ratios of power, voltage and current."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.config.models import String
from monitor.detect.delivered import USUAL_EFFICIENCY
from monitor.detect.held import held_back
from monitor.detect.night import SiteNight
from monitor.model.ladder import weighted_median
from monitor.model.middle import median
from monitor.model.physics import CLEAR_NODE, at_index

# An interval tells when this part of the nameplate is modelled; a day when it holds so many of them.
_LIT_SHARE = 0.10
_LEAST_INTERVALS = 6
# Strong and weak light, by modelled power over the nameplate.
_STRONG, _WEAK = 0.45, 0.25
# A sky state below this is dull: hardly any light comes straight from the sun.
_DULL_INDEX = 0.35
_LEAST_OF_RATED = 0.004


@dataclass(frozen=True, slots=True)
class Member:
    """A unit that is compared with its likes: a measured string, or an inverter whose strings nobody measures."""

    subject: str
    inverter: str
    planes: frozenset[str]
    rated_w: float
    string: String | None


def members(night: SiteNight) -> list[Member]:
    """The units of a site that are compared with each other."""
    strings = [s for s in night.site.string if f"string:{s.id}" in night.units]
    watched = {s.inverter for s in strings}
    found = [Member(f"string:{s.id}", s.inverter, frozenset({s.plane}), s.rated_w, s) for s in strings]
    for inverter in night.site.inverter:
        fed = night.site.strings_of(inverter.id)
        if inverter.id not in watched and fed and f"inverter:{inverter.id}" in night.units:
            planes = frozenset(s.plane for s in fed)
            rated = min(inverter.rated_ac_w, sum(s.rated_w for s in fed))
            found.append(Member(f"inverter:{inverter.id}", inverter.id, planes, rated, None))
    return found


def whole_inverters(night: SiteNight) -> list[Member]:
    """Inverters whose several strings are all measured: what all of them lose alike shows in no comparison of them."""
    found = []
    for inverter in night.site.inverter:
        fed = night.site.strings_of(inverter.id)
        units = [f"inverter:{inverter.id}", *(f"string:{s.id}" for s in fed)]
        if len(fed) > 1 and all(unit in night.units for unit in units):
            rated = min(inverter.rated_ac_w, sum(s.rated_w for s in fed))
            found.append(Member(f"inverter:{inverter.id}", inverter.id, frozenset({s.plane for s in fed}), rated, None))
    return found


def observe_siblings(night: SiteNight) -> dict[str, dict[str, float]]:
    """Compare every unit with the others of its plane (or roof), and every module with the others of its string.

    Traits, all natural logarithms of own over others, each against what the model gives for that unit:

    - `peer`: energy of the day; `peer_mid`: the middle interval; `peer_am`, `peer_noon`, `peer_pm`: thirds of the
      day's energy, `peer_best` the best of them (an all-day loss shows in it, passing shade does not); `peer_dull`:
      intervals under a dull sky, whose light falls alike on all planes; `peer_strong`, `peer_weak`: by strength of the
      light. Against units of the same plane; where there are none, `roof` and its likes in place of `peer`.
    - `volt`, `amp`: voltage and current beside those of strings of the same plane, in the middle interval.

    Intervals in which an inverter was held back, something known stood before the sun, anybody stood still or the light
    is weak are left out. A day with
    less than an hour and a half of them has no traits.
    """
    if night.open_physics is None:
        return {}
    units = members(night)
    usual = {m.subject: _over_model(night, m) for m in units} if len(units) > 1 else {}
    seen: dict[str, dict[str, float]] = {}
    for member in units:
        traits = _traits(night, member, units, usual) if usual else {}
        if traits:
            seen[member.subject] = traits
    for string in night.site.string:
        if string.module_electronics:
            seen |= _module_traits(night, string)
    return seen


def modelled(night: SiteNight, subject: str) -> Values:
    """Power that a unit of this nameplate has under the day's sky [W], shape (T,); NaN where the sky is unknown.

    Without its learned gain: while that is still being learned, ratios would move with it.
    """
    assert night.open_physics is not None
    return at_index(night.open_physics.power_w[subject], night.index)


def _over_model(night: SiteNight, member: Member) -> Values:
    """Measured over modelled power where it tells something, shape (T,); NaN elsewhere."""
    expected = modelled(night, member.subject)
    with np.errstate(invalid="ignore", divide="ignore"):
        lit = (expected > _LIT_SHARE * member.rated_w) & ~held_back(night, member.inverter)
        lit &= night.unshaded(member.subject)
        return np.where(lit, night.units[member.subject].power_w / expected, np.nan)


def _traits(night: SiteNight, member: Member, units: Sequence[Member], usual: Mapping[str, Values]) -> dict[str, float]:
    others = [m for m in units if m.subject != member.subject]
    same = [m for m in others if m.planes == member.planes]
    name = "peer" if same else "roof"
    traits = _profile(night, member, usual[member.subject], _middle([usual[m.subject] for m in same or others]), name)
    string = member.string
    beside = [m.string for m in same if m.string is not None]
    if beside and string is not None and not string.module_electronics:
        for trait, quantity, nameplate in (("volt", "dc_voltage", _volts), ("amp", "dc_current", _amperes)):
            ratio = _electrical(night, string, beside, quantity, nameplate, usual)
            if ratio is not None:
                traits[trait] = ratio
    return traits


def _middle(members: Sequence[Values]) -> Values:
    if len(members) == 1:
        return members[0]
    with np.errstate(invalid="ignore"):
        standing = [np.where(m > _LEAST_OF_RATED, m, np.nan) for m in members]
    return weighted_median(np.stack(standing), np.ones(len(members)))


def _profile(night: SiteNight, member: Member, own: Values, reference: Values, name: str) -> dict[str, float]:
    """Log ratios of a day, as a whole and by its parts."""
    weight = modelled(night, member.subject)
    with np.errstate(invalid="ignore"):
        both = ~np.isnan(own) & (reference > _LEAST_OF_RATED)
    if np.count_nonzero(both) < _LEAST_INTERVALS:
        return {}
    assert night.open_physics is not None
    clear = night.open_physics.power_w[member.subject][CLEAR_NODE]
    order = np.cumsum(clear) / max(float(np.sum(clear)), 1e-9)
    rated = member.rated_w
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
    thirds = [found[name + part] for part in ("_am", "_noon", "_pm") if name + part in found]
    if thirds:
        found[name + "_best"] = max(thirds)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = np.log(own[both] / reference[both])
    found[name + "_mid"] = float(np.clip(median(ratios), -5.0, 5.0))
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
    nameplate: Callable[[String], float],
    usual: Mapping[str, Values],
) -> float | None:
    own = night.on_grid(f"string:{string.id}", quantity)
    members = [values / nameplate(s) for s in same if (values := night.on_grid(f"string:{s.id}", quantity)) is not None]
    if own is None or not members:
        return None
    reference = _middle(members)
    with np.errstate(invalid="ignore"):
        at_work = (usual[f"string:{string.id}"] > 0.05) & (own > 0.0) & (reference > 0.0)
    if np.count_nonzero(at_work) < _LEAST_INTERVALS:
        return None
    return median(np.log(own[at_work] / nameplate(string) / reference[at_work]))


def _module_traits(night: SiteNight, string: String) -> dict[str, dict[str, float]]:
    """`peer` and `peer_mid` of each module beside the middle of its string's modules.

    `made_kwh` is what came of it in alternating current while the inverter was not held back.
    """
    powers = module_powers(night, string)
    if len(powers) < 3:
        return {}
    stack = np.stack(list(powers.values()))
    middle = weighted_median(stack, np.ones(len(powers)))
    rated = string.module.pmp_w
    free = ~held_back(night, string.inverter)
    with np.errstate(invalid="ignore"):
        lit = (middle > _LIT_SHARE * rated) & free
    seen = {}
    for subject, power in powers.items():
        both = lit & ~np.isnan(power)
        if np.count_nonzero(both) < _LEAST_INTERVALS:
            continue
        mine, theirs = float(np.sum(np.maximum(power[both], 0.0))), float(np.sum(middle[both]))
        with np.errstate(divide="ignore"):
            each = np.log(np.maximum(power[both], 1e-3) / middle[both])
        seen[subject] = {
            "made_kwh": USUAL_EFFICIENCY * night.energy_kwh(np.maximum(power, 0.0), free),
            "peer": float(np.log(max(mine, 1e-3 * theirs) / theirs)),
            "peer_mid": median(each),
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
