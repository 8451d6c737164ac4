"""The change test on simulated streams: `python -m tests.benchmarks.change`.

False alarms per stream-year by threshold, for healthy series that remember, wander and have outliers as real ones do,
some of them twice as much as the test's prior says; and delay in usable days for steps and ramps.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np

from ingest.readings import Values
from monitor.detect.change import Prior, find_drop

DAYS = 420
PRIOR = Prior(sigma=0.02, wander=0.008, least=0.004)
THRESHOLDS = (3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0)


def healthy(rng: np.random.Generator, *, rho: float, times: float) -> Values:
    """A year and two months of a healthy stream: AR(1), heavy tails, a random walk and a season."""
    shocks = rng.standard_t(5, DAYS) * np.sqrt(3.0 / 5.0) * PRIOR.sigma * np.sqrt(1.0 - rho**2)
    out = np.zeros(DAYS)
    for n in range(1, DAYS):
        out[n] = rho * out[n - 1] + shocks[n]
    walk = np.cumsum(rng.normal(0.0, times * PRIOR.wander / np.sqrt(30.0), DAYS)) * 0.7
    season = times * PRIOR.wander * np.sin(2.0 * np.pi * (np.arange(DAYS) + rng.uniform(0.0, 365.0)) / 365.0)
    return np.asarray(out + walk + season)


def strengths(values: Values) -> Iterator[tuple[int, float]]:
    """Strength of the likeliest drop on every third night."""
    days = np.arange(DAYS)
    for night in range(30, DAYS, 3):
        drop = find_drop(days[:night], values[:night], PRIOR)
        yield night, 0.0 if drop is None or drop.size > -0.02 else drop.strength


def main(streams: int) -> None:
    """Print both tables."""
    rng = np.random.default_rng(1)
    print("false alarms per stream-year (nights looked at every third day)")
    print("rho  wander " + " ".join(f"h={h:3.1f}" for h in THRESHOLDS))
    for rho in (0.0, 0.3, 0.6):
        for times in (0.5, 1.0, 2.0):
            tops = [max(s for _, s in strengths(healthy(rng, rho=rho, times=times))) for _ in range(streams)]
            rates = [float(np.mean(np.array(tops) > h)) / ((DAYS - 30) / 365.0) for h in THRESHOLDS]
            print(f"{rho:3.1f}  x{times:3.1f}  " + " ".join(f"{r:5.3f}" for r in rates))
    print("median delay in days, and share found within 60 (rho 0.3, wander x1, h=4.5)")
    for size in (-0.02, -0.034, -0.05, -0.10, -0.12):
        for shape in ("step", "ramp of 90 days"):
            delays, errors = [], []
            for _ in range(max(streams // 10, 20)):
                values, onset = healthy(rng, rho=0.3, times=1.0), 200
                since = np.arange(DAYS) - onset
                values = values + size * (since >= 0 if shape == "step" else np.clip(since / 90.0, 0.0, 1.0))
                days = np.arange(DAYS)
                for night in range(onset + 2, min(onset + 160, DAYS)):
                    drop = find_drop(days[:night], values[:night], PRIOR)
                    if drop is not None and drop.strength > 4.5 and drop.size < -0.02:
                        delays.append(night - onset)
                        errors.append(drop.since - onset)
                        break
                else:
                    delays.append(999)
            within = float(np.mean(np.array(delays) <= 60))
            since_error = float(np.median(np.abs(errors))) if errors else float("nan")
            print(
                f"{size:6.3f} {shape:15s} {np.median(delays):5.0f} d, {within:4.0%}, since off by {since_error:.0f} d"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
