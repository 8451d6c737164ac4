"""Meters beside inverters: a change, a level from the start, and registers that are merely coarse."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.life import advance
from monitor.detect.meter_disagreement import MeterDisagreement
from monitor.detect.night import SiteNight, Verdict
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.detect.test_detectors import AC, WORKS, night

FIRST = date(2026, 2, 1)
METER = "meter:gen1"


@pytest.fixture(scope="module")
def evening() -> SiteNight:
    return night(made_site(), s1=WORKS, s2=WORKS, ac=AC)


def energies(
    days: int, meter: Values | float = 1.0, inverter: Values | float = 1.0, *, seed: int = 1, resolution: float = 0.01
) -> list[dict[str, float]]:
    """Traits of some days: registers of 0.3 % scatter a week, and strings."""
    rng = np.random.default_rng(seed)
    made = rng.gamma(2.0, 6.0, days) + 1.0
    true = np.cumsum(made * (1.0 + rng.normal(0.0, 0.004, days)))
    read = [
        np.floor(np.cumsum(np.diff(true, prepend=0.0) * gain) / resolution) * resolution for gain in (meter, inverter)
    ]
    own, own_inverter = (np.diff(r, prepend=0.0) for r in read)
    return [
        {"own_kwh": float(a), "inverter_kwh": float(b), "strings_kwh": float(c / 0.96)}
        for a, b, c in zip(own, own_inverter, made, strict=True)
    ]


def said(evening: SiteNight, days: list[dict[str, float]]) -> list[tuple[date, Verdict]]:
    past, known, found = SiteHistory(), (), []
    for n, seen in enumerate(days):
        day = FIRST + timedelta(days=n)
        tonight = replace(evening, day=day, past=past, traits={METER: seen}, known=known)
        (verdict,) = MeterDisagreement().find(tonight)
        changes = advance(tonight, [verdict], known, suspected=lambda *_: (), raised=day)
        known = tuple(c.finding for c in changes) or known
        past.add([DayNote(day, METER, None, None, None, 1.0, seen)])
        found.append((day, verdict))
    return found


def troubles(found: list[tuple[date, Verdict]]) -> list[tuple[date, Verdict]]:
    return [(day, v) for day, v in found if v.says == "trouble"]


@pytest.mark.parametrize("size", [-0.06, -0.03, 0.02, 0.05])
def test_a_meter_that_counts_otherwise_from_a_day_on(evening: SiteNight, size: float) -> None:
    gain = np.where(np.arange(120) < 60, 1.01, 1.01 * (1.0 + size))
    found = troubles(said(evening, energies(120, gain)))
    raised, verdict = found[0]
    changed = FIRST + timedelta(days=60)
    assert 0 < (raised - changed).days <= 21
    assert verdict.since is not None
    assert abs((verdict.since - changed).days) <= 2
    assert verdict.evidence["meter_over_inverter"] / verdict.evidence["before"] - 1.0 == pytest.approx(size, abs=0.008)
    assert verdict.evidence["moved"] == "meter"
    assert verdict.losses == ()


def test_an_inverter_that_reads_otherwise(evening: SiteNight) -> None:
    gain = np.where(np.arange(120) < 60, 1.0, 1.05)
    _, verdict = troubles(said(evening, energies(120, 1.0, gain)))[0]
    assert verdict.subject == METER
    assert verdict.evidence["moved"] == "inverter"


def test_it_clears_when_the_meter_is_right_again(evening: SiteNight) -> None:
    gain = np.where((np.arange(140) >= 60) & (np.arange(140) < 100), 1.05, 1.0)
    found = said(evening, energies(140, gain))
    assert troubles(found)
    assert {v.says for _, v in found[-25:]} == {"healthy"}


def test_a_level_from_the_first_day_on(evening: SiteNight) -> None:
    raised, verdict = troubles(said(evening, energies(60, 0.9)))[0]
    assert (raised - FIRST).days <= 30
    assert (verdict.evidence["way"], verdict.evidence["moved"]) == ("standing", None)


@pytest.mark.parametrize(("resolution", "seed"), [(0.01, 1), (0.1, 2), (1.0, 3), (1.0, 4)])
def test_two_good_registers_agree_for_a_year(evening: SiteNight, seed: int, resolution: float) -> None:
    season = 1.0 + 0.006 * np.cos(2.0 * np.pi * np.arange(365) / 365.0)  # inverters misread weak light
    assert not troubles(said(evening, energies(365, 1.03 * season, seed=seed, resolution=resolution)))


def test_days_with_nothing_to_compare_say_nothing(evening: SiteNight) -> None:
    (verdict,) = MeterDisagreement().find(replace(evening, traits={}))
    assert verdict.says == "unclear"


def test_no_meter_no_verdict() -> None:
    site: Site = made_site(meter=[], source=[made_site().source[0].model_dump()])
    assert MeterDisagreement().find(night(site, s1=WORKS, s2=WORKS, ac=AC)) == []
