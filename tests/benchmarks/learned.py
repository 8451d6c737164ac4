"""Learned parts beside the plain statistics that the product uses: `python -m tests.benchmarks.learned [--quick]`.

Outlier models (scikit-learn) over all traits of a string beside the change test over the best ones; robust regression
beside the change test's hinge for the onset of a ramp; a Gaussian mixture beside the window rule for cloudless hours;
a sequential test for losses in whole module parts; e-values with e-BH over a fleet. Each pair at the same rate of
false alarms where it has one. `AFTERCARE_OPEN_DATA` names the folder with measured irradiance for the third.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

import numpy as np

from tests.benchmarks import learned_control, learned_sky, learned_traits
from tests.benchmarks.learned_streams import replayed, simulated

_LEAST_DAYS = 300


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.learned")
    parser.add_argument("--quick", action="store_true", help="fewer streams, and no replayed fleet")
    parser.add_argument("--only", default="", help="parts by letter: [t]raits, [o]nset, [c]loudless, [p]arts, [f]leet")
    chosen = parser.parse_args()
    rng, few = np.random.default_rng(1), 4 if chosen.quick else 1
    if _wanted(chosen.only, "t"):
        learned_traits.compare("simulated strings", simulated(rng, 420, 120 // few))
        if not chosen.quick:
            learned_traits.compare("strings of replayed invented fleets", replayed(range(1, 3), least_days=_LEAST_DAYS))
    if _wanted(chosen.only, "o"):
        learned_traits.onsets(rng, 24 // few)
    folder = os.environ.get("AFTERCARE_OPEN_DATA")
    if folder and _wanted(chosen.only, "c"):
        learned_sky.compare(Path(folder))
    if _wanted(chosen.only, "p"):
        learned_control.parts_test(240 // few, rng)
    if _wanted(chosen.only, "f"):
        learned_control.fleet_control(5_000 // few, 800 // few, rng)


def _wanted(only: str, letter: str) -> bool:
    return not only or letter in only


if __name__ == "__main__":
    main()
