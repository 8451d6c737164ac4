"""Dirt on a whole roof: slow, on all units alike, and borne out by whoever else can tell."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.life import advance
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.soiling import Soiling
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.detect.limited import AC, JUNE, POWER, clear_day, home, night_of


def with_sensor() -> Site:
    """The home with a sensor in the plane: without one, haze and seasons hide a slow loss of a fifth."""
    columns = [
        {"column": f"{of} {quantity}", "quantity": quantity, "of": of, "unit": unit}
        for of, quantity, unit in (
            ("inverter:inv1", "ac_power", "W"), ("string:s1", "dc_power", "W"), ("string:s2", "dc_power", "W"),
            ("site", "irradiance_poa", "W/m2"),
        )
    ]  # fmt: skip
    source = {
        "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 5,
        "time": {"column": "t", "zone": "UTC"}, "columns": columns,
    }  # fmt: skip
    return made_site(source=[source], meter=[])


SITE = with_sensor()
DAYS = 150
RAMP = -0.20 * np.clip((np.arange(DAYS) - 90) / 60.0, 0.0, 1.0)


def noisy(change: Values, *, sigma: float, seed: int) -> Values:
    return np.asarray(change + np.random.default_rng(seed).normal(0.0, sigma, change.size))


def night(by_subject: dict[str, dict[str, Values]]) -> SiteNight:
    past = SiteHistory()
    for n in range(DAYS - 1):
        day = JUNE - timedelta(days=DAYS - 1 - n)
        past.add([
            DayNote(day, subject, 20.0, 18.0, 22.0, 1.0, {k: float(v[n]) for k, v in series.items()})
            for subject, series in by_subject.items()
        ])  # fmt: skip
    made = night_of(SITE, {c: clear_day(home())[c] for c in (AC, *POWER.values())}, past=past)
    traits = {subject: {k: float(v[-1]) for k, v in series.items()} for subject, series in by_subject.items()}
    return replace(made, past=past, traits=traits)


def both(first: Values, second: Values, *, clear: Values | None = None) -> dict[str, dict[str, Values]]:
    """`outside` of both strings, and of both the cloudless hours."""
    cloudless = noisy(first if clear is None else clear, sigma=0.03, seed=9)
    return {
        "string:s1": {"outside": noisy(first, sigma=0.03, seed=1), "clear": cloudless},
        "string:s2": {"outside": noisy(second, sigma=0.03, seed=2), "clear": cloudless},
    }


def judged(by_subject: dict[str, dict[str, Values]]) -> Verdict:
    (verdict,) = Soiling().find(night(by_subject))
    return verdict


def test_a_loss_that_creeps_over_the_whole_roof_is_dirt() -> None:
    verdict = judged(both(RAMP, RAMP))
    assert (verdict.subject, verdict.says) == ("site", "trouble")
    assert verdict.since is not None
    assert abs((verdict.since - (JUNE - timedelta(days=59))).days) <= 15
    assert verdict.evidence["shape"] == "ramp"
    days = [loss.day for loss in verdict.losses]
    assert days == sorted(set(days))
    assert all(loss.low <= loss.kwh <= loss.high for loss in verdict.losses)


def test_a_string_that_is_known_to_be_weak_is_not_dirty_besides() -> None:
    ramp = night(both(RAMP, RAMP))
    kept = {"loss_fraction": 0.1}
    weak = Verdict("string:s1", "underperforming_string", "trouble", confidence=0.9, since=JUNE, evidence=kept)
    known = [c.finding for c in advance(ramp, [weak], [], suspected=lambda *_: [], raised=JUNE)]
    assert Soiling().find(replace(ramp, known=tuple(known))) == []


def test_one_string_that_fades_is_no_dirt_on_the_roof() -> None:
    assert judged(both(RAMP, np.zeros(DAYS))).says == "healthy"


def test_a_step_is_no_dirt() -> None:
    step = -0.20 * (np.arange(DAYS) >= 100)
    assert judged(both(step, step)).says == "healthy"


def test_weather_data_that_drift_are_no_dirt() -> None:
    assert judged(both(RAMP, RAMP, clear=np.zeros(DAYS))).says == "healthy"


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_roof_is_healthy(seed: int) -> None:
    level = noisy(np.zeros(DAYS), sigma=0.02, seed=seed + 20)
    assert judged(both(level, level)).says == "healthy"


def test_a_roof_that_was_washed_is_healthy() -> None:
    dirty = night(both(RAMP, RAMP))
    (verdict,) = Soiling().find(dirty)
    (change,) = advance(dirty, [verdict], [], suspected=lambda *_: [date(2026, 6, 13)] * 3, raised=JUNE)
    washed = RAMP.copy()
    washed[-8:] = 0.0
    clean = replace(night(both(washed, washed)), known=(change.finding,))
    (again,) = Soiling().find(clean)
    assert again.says == "healthy"
