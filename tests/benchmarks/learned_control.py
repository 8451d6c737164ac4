"""Sequential tests beside the change test: one for losses that come in whole parts, and e-values over a whole fleet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from ingest.readings import Values
from monitor.detect.change import Prior, find_drop, learn_noise
from monitor.detect.string_witnesses import PEER, VOLT
from monitor.detect.weak import LEARNING_DAYS, Channel
from tests.benchmarks.learned_streams import wandering_many

DAYS, ONSET, LEARN = 420, 200, 60
_EVERY = 3
_PART = np.log(29.0 / 30.0)  # one bypassed part of three, of one module of ten
_MOST_PARTS = 3
FALSE_A_YEAR = 0.02
_WATCHED = 100  # days after an onset
# The fleet: how many streams of a hundred lose something in the year, how much, and what is asked of e-values.
_FAULTY, _SIZES = 0.02, (0.034, 0.05, 0.10, 0.20)
_Q, _LOOK_BACK = 0.1, 60
_SHIFTS = (-0.03, -0.06, -0.12)
_MOST_SIGMAS = 3.0  # beyond which an innovation counts as if it were just so far off: tails are heavy


# --- losses in whole parts ---


def parts_test(streams: int, rng: np.random.Generator) -> None:
    """Delay of both tests for one bypassed part, at the same rate of false alarms."""
    print(f"\none bypassed part of a string of ten modules, both tests at {FALSE_A_YEAR} false alarms a stream-year")
    print(f"{'':34} median delay  found in 10/30/60 days")
    for channel, said in ((VOLT, "voltage"), (PEER, "power beside a sibling")):
        for times in (1.0, 2.0):
            calm = wandering_many(rng, channel.prior, DAYS, streams, times=times)
            faulty = wandering_many(rng, channel.prior, DAYS, streams // 4, times=times)
            faulty[:, ONSET:] += _PART
            for name, score in (("change test", change_paths), ("sequential test of whole parts", ratio_paths)):
                tops = np.max(score(calm, channel, range(LEARN + 10, DAYS, _EVERY)), axis=1)
                share = FALSE_A_YEAR * (DAYS - LEARN - 10) / 365.0
                nights = range(ONSET + 1, ONSET + _WATCHED)
                over = score(faulty, channel, nights) > np.quantile(tops, 1.0 - share)
                delay = np.where(over.any(axis=1), over.argmax(axis=1) + 1, 999)
                found = "/".join(f"{np.mean(delay <= d):.0%}" for d in (10, 30, 60))
                title = f"{said}, wander x{times:.0f}: {name}"
                print(f"{title:62} {np.median(delay):5.0f} d  {found}", flush=True)


def change_paths(streams: Values, channel: Channel, nights: range) -> Values:
    """Strength of the likeliest believable drop at the end of each night, shape (streams, nights)."""
    days = np.arange(streams.shape[1])
    found = np.zeros((len(streams), len(nights)))
    for at, values in enumerate(streams):
        for n, night in enumerate(nights):
            drop = find_drop(days[:night], values[:night], channel.prior)
            if drop is not None and drop.size < -channel.least_size:
                found[at, n] = drop.strength
    return found


def ratio_paths(streams: Values, channel: Channel, nights: range) -> Values:
    """Log likelihood ratio of one to three bypassed parts against none, begun anew whenever none is likelier."""
    found = np.zeros((len(streams), len(nights)))
    for at, values in enumerate(streams):
        noise = learn_noise(np.arange(LEARN), values[:LEARN], channel.prior)
        level = float(np.median(values[:LEARN]))
        off = np.clip(values - level, None, _MOST_SIGMAS * noise.sigma)
        fresh = off[1:] - noise.rho * off[:-1]
        variance = noise.sigma**2 * (1.0 - noise.rho**2)
        best = np.zeros(values.size)
        for parts in range(1, _MOST_PARTS + 1):
            shift = parts * _PART * (1.0 - noise.rho)
            steps = np.concatenate([[0.0], (shift * fresh - 0.5 * shift**2) / variance])
            steps = np.clip(steps, -np.inf, _MOST_SIGMAS * abs(shift) / np.sqrt(variance))
            sums = np.cumsum(np.where(np.arange(values.size) < LEARN, 0.0, steps))
            best = np.maximum(best, sums - np.minimum.accumulate(sums))
        found[at] = best[[night - 1 for night in nights]]
    return found


# --- a whole fleet ---


@dataclass(frozen=True)
class _Fleet:
    values: Values  # (streams, days)
    onset: Values  # day of the loss, DAYS where there is none
    size: Values


def fleet_control(streams: int, replayed: int, rng: np.random.Generator) -> None:
    """False alarms and losses found in a year: the threshold of today on some streams, e-values on all."""
    nominal = 365.0 * float(norm.sf(PEER.strength))
    print(
        f"\na fleet's year: {streams} streams of power beside a sibling, {_FAULTY:.0%} lose {_SIZES[0]:.1%} to "
        f"{_SIZES[-1]:.0%} at once; the change test on {replayed} of them,\nwhose rate a stream does not depend on how "
        f"many there are. Design: {nominal:.4f} false alarms a stream-year if every night were a new look"
    )
    print(f"{'memory, wander':16} {'':34} false a stream-year  in 50,000  found  delay  by size {_SIZES}")
    for rho, times in ((0.3, 1.0), (0.6, 1.0), (0.3, 2.0)):
        fleet = _fleet(rng, streams, rho, times)
        some = _Fleet(fleet.values[:replayed], fleet.onset[:replayed], fleet.size[:replayed])
        name = f"rho {rho}, x{times:.0f}"
        _row(name, "change test, two nights above 4.5", some, _change_alarms(some))
        for said, wander in (("e-values, scatter only", 0.0), ("e-values, wander in the null", PEER.prior.wander)):
            _row(name, said, fleet, e_alarms(fleet.values, PEER.prior, wander))


def _fleet(rng: np.random.Generator, streams: int, rho: float, times: float) -> _Fleet:
    values = wandering_many(rng, PEER.prior, DAYS, streams, rho=rho, times=times)
    faulty = rng.random(streams) < _FAULTY
    # Of the few that are replayed by the slow test too, enough have a loss.
    faulty[: streams // 50] |= rng.random(streams // 50) < 0.5
    onset = np.where(faulty, rng.integers(LEARN + 40, DAYS - _LOOK_BACK, streams), DAYS)
    size = np.where(faulty, rng.choice(_SIZES, streams), 0.0)
    lost = np.log1p(-size)[:, None] * (np.arange(DAYS) >= onset[:, None])
    return _Fleet(values + lost, onset, size)


def _change_alarms(fleet: _Fleet) -> Values:
    """Day of each stream's first alarm after the first months, DAYS if none."""
    days, found = np.arange(DAYS), np.full(len(fleet.values), DAYS)
    for at, values in enumerate(fleet.values):
        before = False
        for night in range(LEARN + 10, DAYS, _EVERY):
            drop = find_drop(days[:night], values[:night], PEER.prior)
            over = (
                drop is not None and drop.strength > PEER.strength and drop.size < -PEER.least_size
                and drop.since >= LEARNING_DAYS
            )  # fmt: skip
            if over and before:
                found[at] = night
                break
            before = over
    return found


def e_alarms(values: Values, prior: Prior, wander: float) -> Values:
    """Day on which e-BH first lists a stream, DAYS if never.

    The null is a level that wanders by so much a month beneath the scatter (its memory in the variance); a loss moves
    the innovations of its steady Kalman filter by a share that fades as the level follows. The e-value of a day is
    the mean over all days of the likelihood ratio of a loss since then, of three sizes: its expectation is at most one
    while nothing has changed. e-BH (Wang and Ramdas, J. R. Stat. Soc. B 84 (2022) 822) holds at any dependence.
    """
    scatter = prior.sigma**2 * (1.0 + prior.rho) / (1.0 - prior.rho)
    drift = wander**2 / 30.0
    ahead = 0.5 * (drift + np.sqrt(drift**2 + 4.0 * drift * scatter))
    gain, variance = ahead / (ahead + scatter) if wander else 0.0, ahead + scatter
    level = np.median(values[:, :LEARN], axis=1)
    off = np.zeros_like(values)
    for day in range(LEARN, values.shape[1]):
        fresh = np.clip(values[:, day] - level, -_MOST_SIGMAS * np.sqrt(variance), _MOST_SIGMAS * np.sqrt(variance))
        off[:, day] = fresh
        level = level + gain * fresh
    fading = (1.0 - gain) ** np.arange(_LOOK_BACK)
    first = np.full(len(values), values.shape[1])
    for night in range(LEARN + _LOOK_BACK, values.shape[1]):
        recent = off[:, night - _LOOK_BACK : night]
        # By first day of the loss: the sum of what later innovations say of it.
        said = np.stack([recent[:, s:] @ fading[: _LOOK_BACK - s] for s in range(_LOOK_BACK)], axis=1)
        power = np.cumsum(fading**2)[::-1]
        total = np.zeros(len(values))
        for shift in _SHIFTS:
            total += np.exp(np.minimum((shift * said - 0.5 * shift**2 * power) / variance, 300.0)).sum(axis=1)
        e = total / (len(_SHIFTS) * (night - LEARN))
        order = np.sort(e)[::-1]
        enough = np.flatnonzero(order >= len(e) / (_Q * np.arange(1, len(e) + 1)))
        if enough.size:
            listed = e >= order[enough[-1]]
            first = np.where(listed, np.minimum(first, night), first)
    return first


def _row(name: str, said: str, fleet: _Fleet, first: Values) -> None:
    healthy = fleet.size == 0.0
    years = (np.count_nonzero(healthy) * (DAYS - LEARN - _LOOK_BACK)) / 365.0
    false = np.count_nonzero(first[healthy] < DAYS) / years
    hit = (first >= fleet.onset) & (first < fleet.onset + _LOOK_BACK)
    delay = (first - fleet.onset)[~healthy & hit]
    sizes = "/".join(f"{np.mean(hit[fleet.size == s]):.0%}" for s in _SIZES)
    print(
        f"{name:16} {said:34} {false:19.4f} {50_000 * false:10.0f} {np.mean(hit[~healthy]):6.0%} "
        f"{np.median(delay) if delay.size else float('nan'):4.0f} d  {sizes}", flush=True,
    )  # fmt: skip
