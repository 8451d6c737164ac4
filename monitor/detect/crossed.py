"""Two strings whose readings look like each other's: columns exchanged in a log or in a site file."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

import numpy as np

from ingest.readings import Seconds, Values
from monitor.config.models import String
from monitor.detect.change import Prior
from monitor.detect.night import SiteNight
from monitor.detect.siblings import modelled
from monitor.detect.weak import CLEAR, change_since, outside_channel
from monitor.model.middle import median

_LIT_SHARE, _LEAST_INTERVALS = 0.10, 8
# Strings tell themselves apart when exchanging them would move so much of their energy.
_UNLIKE = 0.06
# The trait is -1 where strings are their own and 1 where they are each other's.
_CROSSED, _OWN, _LASTING = 0.4, -0.4, 0.75
_AFTER_DAYS, _BEFORE_DAYS, _STANDING_DAYS, _STALE_DAYS = 5, 10, 20, 14
# The voltage at full power follows the model within some per cent over the seasons.
_VOLTS = Prior(sigma=0.02, wander=0.015, least=0.004)
_ROSE_ODDS = 2.0


@dataclass(frozen=True, slots=True)
class Exchange:
    """Two strings that each read what the other one should, and since when; `standing`: since they are known."""

    strings: tuple[str, str]
    since: date
    standing: bool
    days: int


def observe_crossed(night: SiteNight) -> dict[str, dict[str, float]]:
    """Trait `crossed:OTHER` of a string: how much better it and another one fit the model when they are exchanged.

    Measured beside modelled power of both, interval by interval, at one common level, so that neither sky nor gain
    matters: the misfit as they are less that with the strings exchanged, over the misfit that a perfect exchange would
    have. Pairs that cannot be told apart, and days with less than two hours of light, have no trait.
    """
    if night.open_physics is None:
        return {}
    seen: dict[str, dict[str, float]] = {}
    for one, other in _pairs(night):
        better = _fits_better_crossed(night, one, other)
        if better is not None:
            seen.setdefault(f"string:{one.id}", {})[f"crossed:{other.id}"] = better
    return seen


def exchanged(night: SiteNight, subjects: Collection[str]) -> Exchange | None:
    """The pair of some strings whose readings are exchanged by all nights up to tonight; None without one."""
    for one, other in _pairs(night):
        subject = f"string:{one.id}"
        tonight = night.traits.get(subject, {}).get(f"crossed:{other.id}", 0.0)
        if tonight < _CROSSED or subject not in subjects or f"string:{other.id}" not in subjects:
            continue
        days, values = night.series(subject, f"crossed:{other.id}")
        found = _run(night, days, values)
        if found is None:
            continue
        first, standing = found
        if one.plane == other.plane and (standing or not _other_rose(night, one, other, first)):
            continue
        return Exchange((one.id, other.id), date.fromordinal(first), standing, int(np.count_nonzero(days >= first)))
    return None


def their_own(night: SiteNight, strings: Sequence[str]) -> bool:
    """Whether a pair of strings showed tonight that each reads what is its own."""
    one, other = strings
    return night.traits.get(f"string:{one}", {}).get(f"crossed:{other}", 0.0) < _OWN


def _pairs(night: SiteNight) -> Iterator[tuple[String, String]]:
    """Pairs of measured strings of one inverter that differ in plane or nameplate."""
    strings = [s for s in night.site.string if f"string:{s.id}" in night.units and not s.module_electronics]
    for one, other in combinations(strings, 2):
        if one.inverter == other.inverter and (one.plane != other.plane or one.rated_w != other.rated_w):
            yield one, other


def _fits_better_crossed(night: SiteNight, one: String, other: String) -> float | None:
    names = [f"string:{s.id}" for s in (one, other)]
    own = np.stack([night.units[name].power_w for name in names])
    model = np.stack([modelled(night, name) for name in names])
    with np.errstate(invalid="ignore"):
        lit = (model.sum(axis=0) > _LIT_SHARE * (one.rated_w + other.rated_w)) & (own > 0.0).all(axis=0)
        lit &= ~night.held[one.inverter] if one.inverter in night.held else True
    if np.count_nonzero(lit) < _LEAST_INTERVALS:
        return None
    own, model = own[:, lit], model[:, lit]
    level = own.sum(axis=0) / model.sum(axis=0)
    total = float(own.sum())
    unlike = 2.0 * float(np.sum(level * np.abs(model[0] - model[1])))
    if unlike < _UNLIKE * total:
        return None
    as_is, crossed = (float(np.sum(np.abs(own - level * m))) for m in (model, model[::-1]))
    return float(np.clip((as_is - crossed) / unlike, -2.0, 2.0))


def _run(night: SiteNight, days: Seconds, values: Values) -> tuple[int, bool] | None:
    """First day of a lasting exchange that holds tonight, and whether it has been there all the time."""
    today = night.day.toordinal()
    if days.size < _AFTER_DAYS:
        return None
    lately = values[days > today - _STALE_DAYS][-_AFTER_DAYS:]
    if lately.size < _AFTER_DAYS or np.mean(lately > _CROSSED) < _LASTING:
        return None
    own = np.flatnonzero(values < 0.0)
    at = int(own[-1]) + 1 if own.size else 0
    after, before = values[at:], values[:at]
    if after.size < _AFTER_DAYS or median(after) < _CROSSED:
        return None
    if before.size >= _BEFORE_DAYS:
        return (int(days[at]), False) if median(before[-3 * _BEFORE_DAYS :]) < _OWN else None
    return (int(days[0]), True) if days.size >= _STANDING_DAYS and median(values) > _CROSSED else None


def _other_rose(night: SiteNight, one: String, other: String, since: int) -> bool:
    """Whether the smaller of two strings has risen to the larger one's level, by what does not hang on either.

    On one plane a weak larger string beside a sound smaller one looks exchanged, too; then the smaller one stays where
    it was.
    """
    small, large = sorted((one, other), key=lambda s: s.rated_w)
    power = float(np.log(large.rated_w / small.rated_w))
    volts = float(np.log(large.modules * large.module.vmp_v / (small.modules * small.module.vmp_v)))
    odds = 0.0
    for trait, prior, rise in (
        ("volt_off", _VOLTS, volts), ("clear", CLEAR.prior, power), ("outside", outside_channel(night).prior, power),
    ):  # fmt: skip
        change = change_since(night, f"string:{small.id}", trait, prior, since)
        if change is not None:
            odds += rise * (change[0] - 0.5 * rise) / change[1] ** 2
    return odds > _ROSE_ODDS
