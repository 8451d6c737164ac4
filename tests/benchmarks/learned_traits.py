"""Outlier models over all traits beside the change test over the best ones, and the onset of a ramp by regression."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence

import numpy as np
from sklearn.covariance import EllipticEnvelope
from sklearn.ensemble import IsolationForest
from sklearn.linear_model import HuberRegressor, TheilSenRegressor

from ingest.readings import Values
from monitor.detect.change import find_drop
from monitor.detect.string_witnesses import PEER, ROOF, VOLT
from monitor.detect.weak import CLEAR, Channel
from tests.benchmarks.learned_streams import TRAITS, Stream, wandering

LEARN, ONSET = 90, 200
WITHIN = (10, 30, 60)
FALSE_A_YEAR = 0.1
_SMOOTH = 7  # an outlier model's score is the middle of so many days: one odd day is no loss
_EVERY = 3  # nights are looked at every third day
LOSSES = (("step", -0.02, 0), ("step", -0.034, 0), ("step", -0.05, 0), ("step", -0.10, 0),
          ("ramp of 90 days", -0.05, 90), ("ramp of 90 days", -0.10, 90))  # fmt: skip
Score = Callable[[Stream, Sequence[int]], Values]  # how odd a stream looks at the end of some nights


def change_scores(stream: Stream, nights: Sequence[int]) -> Values:
    """Strength of the strongest believable drop of the traits that the product goes by."""
    channels = [c for c in (VOLT, PEER, ROOF, CLEAR) if c.trait in stream.names]
    if "peer_mid" in stream.names:
        channels = [c for c in channels if c.trait in ("volt", "peer_mid")]
    return np.array([max((_strength(stream, c, night) for c in channels), default=0.0) for night in nights])


def _strength(stream: Stream, channel: Channel, night: int) -> float:
    values = stream.values[:night, stream.names.index(channel.trait)]
    days = np.flatnonzero(~np.isnan(values))
    drop = find_drop(days, values[days], channel.prior) if days.size else None
    return drop.strength if drop is not None and drop.size < -0.015 else 0.0


def outlier_scores(kind: str) -> Callable[[Stream], Score]:
    """Score by a model of the first ninety days; a missing trait counts as the usual one."""

    def fit(stream: Stream) -> Score:
        middle = np.nanmedian(stream.values[:LEARN], axis=0)
        width = 1.4826 * np.nanmedian(np.abs(stream.values[:LEARN] - middle), axis=0) + 1e-6
        model = (
            IsolationForest(n_estimators=100, random_state=0)
            if kind == "IsolationForest"
            else EllipticEnvelope(random_state=0, support_fraction=0.9)
        )

        def features(values: Values) -> Values:
            return np.nan_to_num((values - middle) / width)

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model.fit(features(stream.values[:LEARN]))
        known = _odd(model, features(stream.values[:LEARN]))
        level = float(np.median(known))
        spread = 1.4826 * float(np.median(np.abs(known - level))) + 1e-9

        def score(other: Stream, nights: Sequence[int]) -> Values:
            odd = (_odd(model, features(other.values)) - level) / spread
            return np.array([float(np.median(odd[max(n - _SMOOTH, 0) : n])) for n in nights])

        return score

    return fit


def _odd(model: IsolationForest | EllipticEnvelope, features: Values) -> Values:
    """Higher is odder; a squared distance by its root."""
    if isinstance(model, EllipticEnvelope):
        return np.sqrt(np.maximum(model.mahalanobis(features), 0.0))
    return -model.score_samples(features)


def methods() -> dict[str, Callable[[Stream], Score]]:
    """Name to what makes a score of a stream's first days."""
    return {
        "change test": lambda _: change_scores,
        "IsolationForest": outlier_scores("IsolationForest"),
        "robust covariance": outlier_scores("EllipticEnvelope"),
    }


def compare(title: str, streams: Sequence[Stream]) -> None:
    """Every method at the same rate of false alarms, set on one half of the streams; losses are those of the other."""
    calm, tried = streams[::2], streams[1::2]
    print(f"\n{title}: {len(calm)} healthy streams set each threshold at {FALSE_A_YEAR} false alarms a stream-year,")
    print(f"{len(tried)} others give what comes of it; share found within {'/'.join(map(str, WITHIN))} days")
    head = "  ".join(f"{shape} {size:+.1%}"[:22].rjust(22) for shape, size, _ in LOSSES)
    print(f"{'':18} false a year  {head}")
    for name, made in methods().items():
        fitted = [(s, made(s)) for s in streams]
        threshold = _threshold(fitted[::2])
        false = float(np.mean([_top(s, score) > threshold for s, score in fitted[1::2]])) / _years(tried)
        cells = [_found(fitted[1::2], threshold, size, over) for _, size, over in LOSSES]
        print(f"{name:18} {false:12.2f}  " + "  ".join(c.rjust(22) for c in cells), flush=True)


def _nights(stream: Stream) -> range:
    return range(LEARN + 10, len(stream.values), _EVERY)


def _top(stream: Stream, score: Score) -> float:
    return float(np.max(score(stream, _nights(stream))))


def _years(streams: Sequence[Stream]) -> float:
    return float(np.mean([len(s.values) - LEARN - 10 for s in streams])) / 365.0


def _threshold(fitted: Sequence[tuple[Stream, Score]]) -> float:
    share = FALSE_A_YEAR * _years([s for s, _ in fitted])
    return float(np.quantile([_top(s, score) for s, score in fitted], 1.0 - share))


def _found(fitted: Sequence[tuple[Stream, Score]], threshold: float, size: float, over: int) -> str:
    shares = []
    for stream, score in fitted:
        onset = min(ONSET, len(stream.values) - WITHIN[-1] - 1)
        faulty = stream.with_loss(size, onset, over)
        nights = list(range(onset + 3, onset + WITHIN[-1] + 1, _EVERY))
        over_it = np.array(nights)[score(faulty, nights) > threshold] - onset
        shares.append([bool((over_it <= within).any()) for within in WITHIN])
    return "/".join(f"{s:.0%}" for s in np.mean(shares, axis=0))


def onsets(rng: np.random.Generator, streams: int) -> None:
    """How far off the first day of a ramp of 90 days is told, on the night on which it is over."""
    print(f"\nonset of a ramp of 90 days, median days off (90 % quantile), {streams} streams")
    print(f"{'':16} {'hinge of the change test':>26} {'Huber hinge':>16} {'Theil-Sen line':>16}")
    for prior_of, size in (("peer_mid", -0.05), ("peer_mid", -0.10), ("outside", -0.30)):
        prior = TRAITS[prior_of][0]
        errors: list[list[float]] = [[], [], []]
        for _ in range(streams):
            values = wandering(rng, prior, ONSET + 90)
            days = np.arange(values.size)
            values = values + size * np.clip((days - ONSET) / 90.0, 0.0, 1.0)
            drop = find_drop(days, values, prior)
            if drop is None:
                continue
            errors[0].append(abs(drop.since - ONSET))
            errors[1].append(abs(_huber_hinge(days, values) - ONSET))
            errors[2].append(abs(_crossing(days, values, drop.since, drop.reference) - ONSET))
        cells = [f"{np.median(e):.0f} ({np.quantile(e, 0.9):.0f})" for e in errors]
        print(f"{prior_of:9} {size:+.0%}  {cells[0]:>26} {cells[1]:>16} {cells[2]:>16}")


def _huber_hinge(days: Values, values: Values) -> int:
    """The hinge at which a robust line loses least: of every twentieth day, then of every fifth around the best."""
    scale = 1.4826 * float(np.median(np.abs(np.diff(values)))) / np.sqrt(2.0)

    def loss(hinge: int) -> float:
        runs = np.maximum(days - hinge, 0.0)[:, None] / 30.0
        model = HuberRegressor(alpha=0.0, max_iter=100).fit(runs, values / scale)
        off = np.abs(values / scale - model.predict(runs))
        return float(np.sum(np.where(off < 1.35, 0.5 * off**2, 1.35 * (off - 0.675))))

    coarse = min(range(60, days.size - 10, 20), key=loss)
    return min(range(coarse - 15, min(coarse + 16, days.size - 10), 5), key=loss)


def _crossing(days: Values, values: Values, since: int, reference: float) -> float:
    """Where a robust line through the days after the likeliest change reaches the level before."""
    after = days >= since
    model = TheilSenRegressor(random_state=0, max_subpopulation=1000).fit(days[after][:, None], values[after])
    slope = float(model.coef_[0])
    return float((reference - model.intercept_) / slope) if slope < 0.0 else float(days[-1])
