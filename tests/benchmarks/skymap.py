"""How well the sky map finds what stands before a roof: `python -m tests.benchmarks.skymap [SEEDS] [FIRST_SEED]`.

Prints, for roofs of other physics than the model's, the errors of the obstruction's edges, false cells, and the daily
energy error with and without the map.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from pvlib import irradiance

from ingest.readings import Values
from monitor.model.looks import DayLooks, Facing, day_looks
from monitor.model.obstruction import build_map
from monitor.model.physics import Physics, at_index, site_physics
from monitor.model.skycells import CELLS, RASTER_AZIMUTH, cell_of
from monitor.model.skymap import SkyMap, shaded
from tests.benchmarks.shaded_roof import RATED_W, Roof, Thing, Truth, run

SUBJECT = "string:s1"
FIRST_DAY = date(2026, 1, 1)
PLACES = ((52.0, 180.0), (35.0, 180.0), (-35.0, 0.0))
KINDS = ("hard", "crown", "leaves", "none")
SPANS = (60, 120, 365)
# Cells that let less of the beam pass, on average over the sun's passes, ought to be found; a thing counts as there
# when the sun passed at least six of them.
OBSTRUCTED, LEAST_CELLS = 0.65, 6


@dataclass(frozen=True)
class Case:
    """A roof with its truth, its tables and its looks, alone and with others who saw the sky."""

    kind: str
    roof: Roof
    truth: Truth
    physics: Physics
    looks: dict[str, list[DayLooks]]


@dataclass(frozen=True)
class Score:
    """Errors of one map; NaN where the question does not arise."""

    found: float  # the thing at all
    azimuth_deg: float  # the worse of the two edges
    top_deg: float
    missed: float  # share of the shaded cells that were passed on three days or more
    false: float  # share of all passed cells
    passes: float  # error of the mean transmittance behind it
    with_map: float  # daily energy: root mean square error over mean
    without: float
    open_sky: float  # the same string with nothing before it


def draw(seed: int, kind: str) -> Roof:
    """A roof with its hidden errors and, mostly, something before its sky, whose top the sun passes."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    latitude, noon = PLACES[seed % len(PLACES)]
    facing = noon + rng.uniform(-50.0, 50.0)
    things: tuple[Thing, ...] = ()
    if kind != "none":
        middle, width = noon + rng.uniform(-60.0, 60.0), rng.uniform(20.0, 50.0)
        low, high = (18.0, 34.0) if abs(latitude) > 45.0 else (32.0, 42.0)
        away = abs(middle - noon)
        top = rng.uniform(low, high) - 0.2 * away
        passes = rng.uniform(0.3, 0.6)
        leafy, bare, ragged = {
            "hard": (0.0, 0.0, 0.0),
            "crown": (passes, passes, 1.0),
            "leaves": (rng.uniform(0.2, 0.4), rng.uniform(0.65, 0.85), 1.0),
        }[kind]
        things = (Thing((middle - width / 2) % 360, (middle + width / 2) % 360, top, leafy, bare, ragged),)
    return Roof(
        latitude, float(rng.uniform(20.0, 45.0)), float(facing % 360.0), things,
        tilt_off_deg=float(np.clip(3.0 * rng.standard_normal() / 2, -3, 3)),
        azimuth_off_deg=float(np.clip(7.0 * rng.standard_normal() / 2, -7, 7)),
        gain=float(rng.uniform(0.97, 1.03)), seed=seed,
    )  # fmt: skip


def make_case(seed: int, kind: str) -> Case:
    """Let two years pass over a roof and look at each day."""
    roof = draw(seed, kind)
    truth = run(roof)
    physics = site_physics(roof.site(), truth.starts)
    rng = np.random.default_rng([seed, 99])
    days = truth.starts.size // 96
    index = truth.index * (1.0 + 0.03 * rng.standard_normal(days).repeat(96))
    index = index * (1.0 + 0.05 * rng.standard_normal(index.size))
    looks = {"alone": all_looks(roof, truth, physics, None), "others": all_looks(roof, truth, physics, index)}
    return Case(kind, roof, truth, physics, looks)


def all_looks(roof: Roof, truth: Truth, physics: Physics, index: Values | None) -> list[DayLooks]:
    """Looks of every day."""
    found = []
    for day in range(truth.starts.size // 96):
        span = slice(day * 96, day * 96 + 96)
        found.append(
            day_looks(
                truth.power_w[span], physics.part(span), SUBJECT, day=FIRST_DAY + timedelta(day), gain=1.0,
                limit_w=1.3 * RATED_W, facing=[Facing(roof.tilt_deg, roof.azimuth_deg)],
                index=None if index is None else index[span],
            )
        )  # fmt: skip
    return found


def score(case: Case, who: str, first: int, days: int) -> Score:
    """Build a map from some days and hold it against the truth; its energy over the days that follow."""
    built = build_map(case.looks[who][first : first + days], latitude=case.roof.latitude)
    true_cells, seen = true_map(case, first, days)
    shaded_cells = built.shaded_cells()
    really = (true_cells < OBSTRUCTED) & (seen >= 3)
    missed = float(np.mean(~shaded_cells[really])) if really.any() else np.nan
    false = float(np.sum(shaded_cells & (true_cells > 0.95) & (seen > 0)) / np.sum(seen > 0))
    azimuth, top = edges(built, case.roof.things)
    core = really & shaded_cells
    passed = (built.leafy_days * built.leafy + built.bare_days * built.bare) / np.maximum(
        built.leafy_days + built.bare_days, 1
    )
    passes = float(np.mean(passed[core] - true_cells[core])) if core.any() else np.nan
    after = slice(96 * (first + days), 96 * min(first + 2 * days, 730))
    learned = slice(96 * first, 96 * (first + days))
    energies = [energy_error(case, m, w, learned, after) for m, w in (
        (built, case.truth.power_w), (None, case.truth.power_w), (None, case.truth.unshaded_w))]  # fmt: skip
    there = really.sum() >= LEAST_CELLS
    return Score(float(shaded_cells.any()) if there else np.nan, azimuth if there else np.nan,
                 top if there else np.nan, missed, false, passes, *energies)  # fmt: skip


def true_map(case: Case, first: int, days: int) -> tuple[Values, Values]:
    """True mean transmittance of every cell over the sun's passes, and on how many days it was passed."""
    span = slice(96 * first, 96 * (first + days))
    truth, clear = case.truth, case.physics.clear_w(SUBJECT)[span]
    sun_at = 90.0 - truth.elevation_deg[span], truth.azimuth_deg[span]
    aoi_ok = irradiance.aoi(case.roof.tilt_deg, case.roof.azimuth_deg, *sun_at) < 75.0
    up = (truth.elevation_deg[span] > 4.0) & (clear > 0.03 * 1.3 * RATED_W) & aoi_ok
    cells = cell_of(truth.azimuth_deg[span][up], truth.elevation_deg[span][up])
    count = np.bincount(cells, minlength=CELLS)
    total = np.bincount(cells, truth.through[span][up], CELLS)
    day = np.repeat(np.arange(days), 96)[up]
    pairs = np.unique(cells * 1000 + day) // 1000
    return total / np.maximum(count, 1), np.bincount(pairs, minlength=CELLS).astype(float)


def edges(built: SkyMap, things: Sequence[Thing]) -> tuple[float, float]:
    """Errors of the azimuth (the worse side) and of the top (median over the thing's middle) [deg]."""
    if not things or not built.shaded_cells().any():
        return np.nan, np.nan
    thing, outline = things[0], built.outline()
    width = (thing.right_deg - thing.left_deg) % 360.0
    middle = thing.left_deg + width / 2
    beside = (RASTER_AZIMUTH - middle + 180.0) % 360.0 - 180.0
    tall = ~(np.isnan(outline.top_deg) | (outline.top_deg < thing.top_deg - 7.0)) & (np.abs(beside) < width / 2 + 30.0)
    inside = np.abs(beside) < width / 2 - 2.5
    if not tall.any():
        return 90.0, np.nan
    azimuth = max(abs(beside[tall].min() - 2.5 + width / 2), abs(beside[tall].max() + 2.5 - width / 2))
    tops = np.where(np.isnan(outline.top_deg), 0.0, outline.top_deg)[inside] - thing.top_at(RASTER_AZIMUTH[inside])
    return float(azimuth), float(abs(np.median(tops)))


def energy_error(case: Case, built: SkyMap | None, power_w: Values, learned: slice, after: slice) -> float:
    """Daily error of the expectation under the true sky, its gain learned before as a median."""
    table, share = case.physics.power_w[SUBJECT], case.physics.beam_share[SUBJECT]
    if built is not None:
        hidden = built.blocked_diffuse(case.roof.tilt_deg, case.roof.azimuth_deg)
        table = shaded(table, share, built, case.physics.sun, blocked_diffuse=hidden)
    expected = at_index(table, np.minimum(case.truth.index, 1.25))
    daily = [v[s].reshape(-1, 96).sum(axis=1) for s in (learned, after) for v in (expected, power_w)]
    gain = float(np.median(daily[1] / np.maximum(daily[0], 1.0)))
    return float(np.sqrt(np.mean((gain * daily[2] - daily[3]) ** 2)) / np.mean(daily[3]))


def main(seeds: int, first_seed: int) -> None:
    """Print the table."""
    names = list(Score.__dataclass_fields__)
    print(f"{'kind':8}{'who':8}{'days':>5}" + "".join(f"{n:>13}" for n in names) + f"{'az<10':>8}{'top<3':>7}")
    scores: dict[tuple[str, str, int], list[Score]] = {}
    for seed in range(first_seed, first_seed + seeds):
        for kind in KINDS:
            case = make_case(seed, kind)
            for who in case.looks:
                for days in SPANS:
                    begin = 0 if days == 365 else (seed * 73) % 305
                    scores.setdefault((kind, who, days), []).append(score(case, who, begin, days))
    for (kind, who, days), found in sorted(scores.items(), key=lambda s: (KINDS.index(s[0][0]), *s[0][1:])):
        table = np.array([[getattr(s, n) for n in names] for s in found])
        there = table[~np.isnan(table[:, 0])]
        typical = [float(np.nanmean(c)) if not np.isnan(c).all() else np.nan for c in table.T]
        within = [float(np.mean(there[:, i] <= most)) if there.size else np.nan for i, most in ((1, 10.0), (2, 3.0))]
        print(f"{kind:8}{who:8}{days:5}" + "".join(f"{v:13.3f}" for v in typical)
              + f"{within[0]:8.2f}{within[1]:7.2f}  n={len(there)}")  # fmt: skip


if __name__ == "__main__":
    words = [int(word) for word in sys.argv[1:]]
    main(words[0] if words else 20, words[1] if len(words) > 1 else 1)
