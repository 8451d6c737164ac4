"""Daily trait vectors of strings for `tests.benchmarks.learned`: simulated, and what replayed fleets left behind."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np

from ingest.readings import Values
from monitor.config import load_fleet
from monitor.detect.change import Prior
from monitor.detect.string_witnesses import PEER, ROOF, VOLT
from monitor.detect.weak import CLEAR
from monitor.nightly.memory import remember
from monitor.store import Store
from tests.benchmarks.detection import LAST, run

_WEATHER = Prior(sigma=0.12, wander=0.04, least=0.03)  # as of the trait `outside` beside satellite weather
# Trait to what is expected of it, and whether a bypassed part of the string lowers it.
TRAITS: dict[str, tuple[Prior, bool]] = {
    "volt": (VOLT.prior, True), "amp": (PEER.prior, False), "peer_mid": (PEER.prior, True),
    "peer_am": (PEER.prior, True), "peer_noon": (PEER.prior, True), "peer_pm": (PEER.prior, True),
    "peer_strong": (PEER.prior, True), "roof": (ROOF.prior, True), "clear": (CLEAR.prior, True),
    "outside": (_WEATHER, True),
}  # fmt: skip
_CLOUDLESS = 0.35  # share of days that have a trait `clear`
_OWN = 0.5  # a part of a day scatters by itself by this share of what all parts share


@dataclass(frozen=True)
class Stream:
    """A string's days by row, its traits by column (NaN: the day did not tell), and which of them a loss moves."""

    names: tuple[str, ...]
    values: Values  # (D, K)

    def with_loss(self, log_size: float, onset: int, over: int) -> Stream:
        """The same string with a loss from a day on, which takes so many days to come."""
        since = np.arange(len(self.values)) - onset
        shape = (since >= 0).astype(float) if over == 0 else np.clip(since / over, 0.0, 1.0)
        moved = np.array([TRAITS[name][1] for name in self.names], dtype=float)
        return Stream(self.names, self.values + log_size * shape[:, None] * moved)


def wandering(rng: np.random.Generator, prior: Prior, days: int, *, rho: float = 0.3, times: float = 1.0) -> Values:
    """A healthy series: AR(1) with heavy tails, a random walk, and a season (see `tests.benchmarks.change`)."""
    return wandering_many(rng, prior, days, 1, rho=rho, times=times)[0]


def wandering_many(
    rng: np.random.Generator, prior: Prior, days: int, streams: int, *, rho: float = 0.3, times: float = 1.0
) -> Values:
    """Many of them, shape (streams, days)."""
    shocks = rng.standard_t(5, (streams, days)) * np.sqrt(3.0 / 5.0) * prior.sigma * np.sqrt(1.0 - rho**2)
    out = np.zeros((streams, days))
    for n in range(1, days):
        out[:, n] = rho * out[:, n - 1] + shocks[:, n]
    walk = 0.7 * np.cumsum(rng.normal(0.0, times * prior.wander / np.sqrt(30.0), (streams, days)), axis=1)
    phase = rng.uniform(0.0, 365.0, (streams, 1))
    return np.asarray(out + walk + times * prior.wander * np.sin(2.0 * np.pi * (np.arange(days) + phase) / 365.0))


def simulated(rng: np.random.Generator, days: int, streams: int) -> list[Stream]:
    """Healthy strings. The parts of a day share most of what moves them; cloudless hours are there on some days."""
    found = []
    for _ in range(streams):
        shared = wandering(rng, PEER.prior, days)
        columns = []
        for name, (prior, _) in TRAITS.items():
            if name.startswith("peer_"):
                column = shared + (0.0 if name == "peer_mid" else _OWN * wandering(rng, prior, days, times=0.5))
            else:
                column = wandering(rng, prior, days)
            if name == "clear":
                column = np.where(rng.random(days) < _CLOUDLESS, column, np.nan)
            columns.append(column)
        found.append(Stream(tuple(TRAITS), np.stack(columns, axis=1)))
    return found


def replayed(seeds: range, *, least_days: int) -> list[Stream]:
    """Healthy homes' strings of invented fleets, as the nights remember them; days without any trait are left out."""
    found: list[Stream] = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "fleet"
            truth, _ = run(seed, folder)
            faulty = {trouble.site for trouble in truth.troubles}
            fleet = load_fleet(folder)
            store = Store.open(fleet.settings.store.url, folder)
            try:
                with store.read() as conn:
                    for site in fleet.sites:
                        if site.id not in faulty:
                            history = remember(conn, site.id, LAST + timedelta(days=1))
                            streams = [_remembered(history, f"string:{s.id}", least_days) for s in site.string]
                            found += [s for s in streams if s is not None]
            finally:
                store.close()
    return found


def _remembered(history: object, subject: str, least_days: int) -> Stream | None:
    series = {name: history.series(subject, name) for name in TRAITS}  # type: ignore[attr-defined]
    series = {name: (days, values) for name, (days, values) in series.items() if days.size >= least_days // 4}
    if "peer_mid" not in series and "roof" not in series:
        return None
    days = np.unique(np.concatenate([d for d, _ in series.values()]))
    if days.size < least_days:
        return None
    columns = np.full((days.size, len(series)), np.nan)
    for at, (own, values) in enumerate(series.values()):
        columns[np.searchsorted(days, own), at] = values
    return Stream(tuple(series), columns)
