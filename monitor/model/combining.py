"""What the rungs of the ladder tell of a site's units, weighed and combined with a range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ingest.readings import Values
from monitor.model.calibration import Z80, Outcomes, widening
from monitor.model.ladder import (
    CLEAR_SKY_SIGMA,
    MAX_INDEX,
    MIN_INDEX,
    SCATTER,
    SOURCES,
    Expected,
    Rung,
    RungName,
)
from monitor.model.physics import CLEAR_NODE, Physics, at_index

# What does not hang on a roof's own units.
_OUTSIDE = ("sensor", "weather", "neighbours")


@dataclass(frozen=True, slots=True)
class Terms:
    """What a subject's rungs are combined by.

    `gains` are learned ones by rung name, `gain_sigma` their relative uncertainty, `limit_w` the power above which the
    subject cannot go [W], `experience` how its earlier days came out, by the source that they rested on.
    """

    gains: Mapping[str, float]
    gain_sigma: float
    limit_w: float
    experience: Mapping[RungName, Outcomes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Combined:
    """A subject's expected power, and the part of it that does not hang on its own roof's units.

    `outside_w`, shape (T,), rests on sensor, weather and neighbours by the same weights; NaN where none of them tells.
    """

    expected: Expected
    outside_w: Values


@dataclass(frozen=True, slots=True)
class _Told:
    """One rung of S subjects, shape (S, T): power with its gain and 0 where unknown, its weight and day's certainty."""

    power_w: Values
    share: Values
    certainty: Values


def combine(physics: Physics, rungs: Mapping[str, Sequence[Rung]], terms: Mapping[str, Terms]) -> dict[str, Combined]:
    """Combine the rungs of S subjects per interval by inverse variance.

    Parameters
    ----------
    physics : Physics
        Tables of the site on a grid of T intervals.
    rungs : mapping
        By `string:ID` or `inverter:ID`, each in the same order; one named `clear_sky` fills what no other tells.
    terms : mapping
        By the same subjects.

    Returns
    -------
    dict of Combined
        W; the range is meant to hold the day's true energy in 80 of 100 days.
    """
    subjects = list(rungs)
    if not subjects:
        return {}
    shape = (len(subjects), physics.starts.size)
    total, weight, certainty = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    outside_total, outside_weight = np.zeros(shape), np.zeros(shape)
    energy: dict[RungName, Values] = {"clear_sky": np.zeros(len(subjects))}
    for name in dict.fromkeys(r.name for told in rungs.values() for r in told if r.name != "clear_sky"):
        told = _told(name, rungs, terms, shape[1])
        worth = told.share * told.power_w
        total += worth
        weight += told.share
        certainty += told.certainty
        energy[name] = worth.sum(axis=1)
        if name in _OUTSIDE:
            outside_total += worth
            outside_weight += told.share
    tables = physics.stacked(subjects)
    clear_gain = _column([terms[s].gains["clear_sky"] for s in subjects])
    limit = _column([terms[s].limit_w for s in subjects])
    fallback = [next(r for r in rungs[s] if r.name == "clear_sky") for s in subjects]
    rough = clear_gain * np.stack([r.power_w[s] for s, r in zip(subjects, fallback, strict=True)])
    known = weight > 0.0
    power = np.minimum(np.where(known, total / np.where(known, weight, 1.0), rough), limit)
    day = np.where(known, 1.0 / np.sqrt(np.where(known, certainty, 1.0)), CLEAR_SKY_SIGMA)
    sigma = np.hypot(day, _column([terms[s].gain_sigma for s in subjects]))
    guessed = np.where(known, 0.0, rough).sum(axis=1)
    energy["clear_sky"] = guessed / (CLEAR_SKY_SIGMA**2 + SCATTER["clear_sky"] ** 2)
    made, clear = power.sum(axis=1), clear_gain[:, 0] * tables[:, CLEAR_NODE].sum(axis=1)
    day_sigma, clearness = _ratio_of((power * sigma).sum(axis=1), made), _ratio_of(made, clear)
    most = np.argmax(list(energy.values()), axis=0)
    sources = [SOURCES[name] for name in np.array(list(energy))[most].tolist()]
    learned = zip(subjects, sources, clearness, strict=True)
    sigma = sigma * _column([widening(terms[s].experience.get(source), clear) for s, source, clear in learned])
    floor, ceiling = (clear_gain * at_index(tables, np.full(shape[1], at)) for at in (MIN_INDEX, MAX_INDEX))
    low = np.where(known, power * np.exp(-Z80 * sigma), np.minimum(floor, power))
    high = np.minimum(np.where(known, power * np.exp(Z80 * sigma), np.maximum(ceiling, power)), limit)
    heard = outside_weight > 0.0
    outside = np.where(heard, outside_total / np.where(heard, outside_weight, 1.0), np.nan)
    return {
        s: Combined(Expected(power[n], low[n], high[n], sources[n], day_sigma[n], clearness[n]), outside[n])
        for n, s in enumerate(subjects)
    }


def _told(name: RungName, rungs: Mapping[str, Sequence[Rung]], terms: Mapping[str, Terms], count: int) -> _Told:
    """What the rung of a name tells of every subject; nothing of those that do not have it."""
    powers, variances, scattered = [], [], []
    for subject, told in rungs.items():
        rung = next((r for r in told if r.name == name), None)
        variance = 1.0 if rung is None else rung.sigma**2
        powers.append(np.full(count, np.nan) if rung is None else terms[subject].gains[name] * rung.power_w[subject])
        variances.append(variance)
        scattered.append(variance + SCATTER[name] ** 2)
    power = np.stack(powers)
    known = ~np.isnan(power)
    return _Told(np.where(known, power, 0.0), known / _column(scattered), known / _column(variances))


def _column(numbers: Sequence[float]) -> Values:
    return np.array(numbers, dtype=np.float64)[:, None]


def _ratio_of(parts: Values, wholes: Values) -> list[float]:
    pairs = zip(parts.tolist(), wholes.tolist(), strict=True)
    return [part / whole if whole > 0.0 else 0.0 for part, whole in pairs]
