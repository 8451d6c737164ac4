"""The change-point test: what it finds, when it says so, and what it must not mistake for a drop."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.readings import Values
from monitor.detect.change import Noise, Prior, find_drop, learn_noise, recovered

PRIOR = Prior(sigma=0.02, wander=0.008, least=0.004)
DAYS = np.arange(200)


def stream(seed: int, *, sigma: float = 0.02, rho: float = 0.0, days: int = 200) -> Values:
    rng = np.random.default_rng(seed)
    shocks = rng.normal(0.0, sigma * np.sqrt(1.0 - rho**2), days)
    out = np.zeros(days)
    for n in range(days):
        out[n] = (rho * out[n - 1] if n else 0.0) + shocks[n]
    return out


@pytest.mark.parametrize("seed", range(5))
def test_a_step_is_dated_and_sized(seed: int) -> None:
    values = stream(seed) - 0.10 * (DAYS >= 120)
    drop = find_drop(DAYS, values, PRIOR)
    assert drop is not None
    assert drop.shape == "step"
    assert abs(drop.since - 120) <= 1
    assert drop.size == pytest.approx(-0.10, abs=0.012)
    assert drop.loss_fraction == pytest.approx(1.0 - np.exp(drop.size))
    assert drop.strength > 4.5


@pytest.mark.parametrize("seed", range(5))
def test_a_slow_fade_is_called_a_ramp_and_dated_near_its_start(seed: int) -> None:
    values = stream(seed, sigma=0.01) - 0.20 * np.clip((DAYS - 80) / 120.0, 0.0, 1.0)
    drop = find_drop(DAYS, values, PRIOR)
    assert drop is not None
    assert drop.shape == "ramp"
    assert abs(drop.since - 80) <= 12
    assert drop.size == pytest.approx(-0.20, abs=0.02)
    assert drop.mean_size == pytest.approx(-0.10, abs=0.01)


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_is_no_strong_drop(seed: int) -> None:
    drop = find_drop(DAYS, stream(seed, rho=0.3), PRIOR)
    assert drop is None or drop.strength < 4.5


@pytest.mark.parametrize("seed", range(5))
def test_a_rise_is_no_drop(seed: int) -> None:
    drop = find_drop(DAYS, stream(seed) + 0.10 * (DAYS >= 120), PRIOR)
    assert drop is None or drop.strength < 4.5


def test_the_level_before_is_told_by_fewer_days_the_more_it_wanders() -> None:
    assert Noise(0.02, 0.3, 0.001).reach == 120
    assert Noise(0.02, 0.3, 0.008).reach == 30
    assert Noise(0.05, 0.3, 0.008).reach == pytest.approx(65, abs=1)


def test_a_step_after_a_slow_rise_is_measured_from_where_the_rise_had_come_to() -> None:
    rise = 0.10 * np.clip((DAYS - 20) / 100.0, 0.0, 1.0)
    drop = find_drop(DAYS, stream(3, sigma=0.01) + rise - 0.10 * (DAYS >= 160), Prior(0.01, 0.02, 0.004))
    assert drop is not None
    assert abs(drop.since - 160) <= 1
    assert drop.size == pytest.approx(-0.10, abs=0.015)


def test_a_few_bad_days_do_not_make_a_drop() -> None:
    values = stream(1)
    values[-3:] -= 1.0
    drop = find_drop(DAYS, values, PRIOR)
    assert drop is None or drop.strength < 4.5


def test_a_series_that_wanders_is_given_more_room() -> None:
    steady = learn_noise(DAYS, stream(2), PRIOR)
    wandering = learn_noise(DAYS, stream(2) + 0.05 * np.sin(2.0 * np.pi * DAYS / 180.0), PRIOR)
    assert wandering.wander > 2.0 * steady.wander


def test_scatter_and_memory_are_learned() -> None:
    long = np.arange(2000)
    noise = learn_noise(long, stream(3, sigma=0.05, rho=0.4, days=2000), PRIOR)
    assert noise.sigma == pytest.approx(0.05, rel=0.15)
    # A running median of nine days takes part of the memory along with the slow changes that it is there to remove.
    assert 0.1 < noise.rho <= 0.4


def test_the_prior_stands_where_nothing_was_seen() -> None:
    assert learn_noise(DAYS[:2], np.zeros(2), PRIOR) == Noise(PRIOR.sigma, PRIOR.rho, PRIOR.wander)


def test_what_comes_later_is_not_looked_at() -> None:
    values = stream(4) - 0.10 * (DAYS >= 120)
    early = find_drop(DAYS[:130], values[:130], PRIOR)
    changed = np.concatenate([values[:130], np.full(70, 9.0)])
    assert find_drop(DAYS[:130], changed[:130], PRIOR) == early


def test_too_few_days_say_nothing() -> None:
    assert find_drop(DAYS[:20], stream(5)[:20] - 1.0 * (DAYS[:20] > 10), PRIOR) is None


def test_days_with_an_open_finding_do_not_become_the_level_before() -> None:
    values = stream(6) - 0.10 * (DAYS >= 60)
    taught = find_drop(DAYS, values, PRIOR, learn=DAYS < 60)
    assert taught is not None
    assert taught.size == pytest.approx(-0.10, abs=0.012)
    assert taught.reference == pytest.approx(0.0, abs=0.008)


def test_back_again_is_half_of_the_way() -> None:
    assert recovered(DAYS[:3], np.zeros(3), reference=0.0, size=-0.1) is None
    assert recovered(DAYS[:5], np.full(5, -0.08), reference=0.0, size=-0.1) is False
    assert recovered(DAYS[:5], np.full(5, -0.02), reference=0.0, size=-0.1) is True
