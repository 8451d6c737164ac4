"""Energies that have to fit: sensors the wrong way round or on the wrong wire, and homes that only look like that."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.balances import observe_balances
from monitor.detect.energy_imbalance import EnergyImbalance
from monitor.detect.life import advance
from monitor.detect.night import SiteNight, Verdict
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.detect.limited import AC, EXPORT, clear_day, home, night_of
from tests.unit.monitor.detect.test_detectors import AC as AC_W
from tests.unit.monitor.detect.test_detectors import WORKS, night

FIRST = date(2026, 4, 1)
GRID = "meter:grid"


@pytest.fixture(scope="module")
def evening() -> SiteNight:
    meters = [{"id": "gen1", "role": "generation", "inverter": "inv1"}, {"id": "grid", "role": "grid"}]
    return night(made_site(meter=meters), s1=WORKS, s2=WORKS, ac=AC_W)


def steps(days: int, slope: Values | float, *, seed: int = 1, load_kw: float = 0.5) -> list[dict[str, float]]:
    """Sums over half-hourly steps of generation and grid, with a house that does as it likes; dull days have few."""
    rng = np.random.default_rng(seed)
    slopes = np.broadcast_to(slope, (days,))
    found = []
    for n in range(days):
        count = int(rng.integers(0, 9))
        if count == 0:
            found.append({})
            continue
        x = rng.choice([-1.0, 1.0], count) * rng.uniform(0.6, 2.0, count)
        y = np.clip(slopes[n] * x + rng.normal(0.0, load_kw, count), -3.0 * np.abs(x), 3.0 * np.abs(x))
        found.append({"steps": float(count), "steps_xx": x @ x, "steps_xy": x @ y, "steps_yy": y @ y})
    return found


def said(evening: SiteNight, subject: str, days: list[dict[str, float]]) -> list[tuple[date, Verdict]]:
    past, known, found = SiteHistory(), (), []
    for n, seen in enumerate(days):
        day = FIRST + timedelta(days=n)
        tonight = replace(evening, day=day, past=past, traits={subject: seen}, known=known)
        verdicts = EnergyImbalance().find(tonight)
        changes = advance(tonight, verdicts, known, suspected=lambda *_: (), raised=day)
        changed = {c.finding.id: c.finding for c in changes}
        known = tuple([f for f in known if f.id not in changed] + list(changed.values()))
        past.add([DayNote(day, subject, None, None, None, 1.0, seen)])
        found += [(day, v) for v in verdicts]
    return found


def troubles(found: list[tuple[date, Verdict]]) -> list[tuple[date, Verdict]]:
    return [(day, v) for day, v in found if v.says == "trouble"]


@pytest.mark.parametrize(("slope", "way"), [(1.0, "reversed"), (0.0, "stray"), (-2.1, "ratio"), (-0.4, "ratio")])
def test_a_grid_sensor_that_was_moved(evening: SiteNight, slope: float, way: str) -> None:
    course = np.where(np.arange(90) < 40, -1.0, slope)
    raised, verdict = troubles(said(evening, GRID, steps(90, course)))[0]
    moved = FIRST + timedelta(days=40)
    assert 0 <= (raised - moved).days <= (12 if way != "ratio" else 30)
    assert verdict.subject == GRID
    assert verdict.evidence["way"] == way
    assert verdict.since is not None
    assert abs((verdict.since - moved).days) <= 5


def test_it_clears_when_the_sensor_is_right_again(evening: SiteNight) -> None:
    course = np.where((np.arange(120) >= 40) & (np.arange(120) < 70), 1.0, -1.0)
    found = said(evening, GRID, steps(120, course))
    assert troubles(found)
    assert "trouble" not in {v.says for _, v in found[-30:]}


@pytest.mark.parametrize(("load_kw", "seed"), [(0.2, 1), (0.5, 2), (1.0, 3), (1.0, 4)])
def test_a_sound_sensor_before_a_restless_house(evening: SiteNight, seed: int, load_kw: float) -> None:
    for slope in (-1.0, -0.8):  # clocks that are five minutes apart flatten steps
        assert not troubles(said(evening, GRID, steps(200, slope, seed=seed, load_kw=load_kw)))


def test_an_export_beyond_what_is_made(evening: SiteNight) -> None:
    days = [{"house_kwh": 8.0, "made_kwh": 20.0}] * 20 + [{"house_kwh": -6.0, "made_kwh": 20.0}] * 5
    found = troubles(said(evening, GRID, days))
    assert [day for day, _ in found][0] == FIRST + timedelta(days=22)
    assert found[0][1].since == FIRST + timedelta(days=20)
    away = [{"house_kwh": -0.3, "made_kwh": 20.0}] * 20  # nobody at home, and two meters that differ
    assert not troubles(said(evening, GRID, away))


def test_a_generation_meter_that_counts_at_night(evening: SiteNight) -> None:
    days = [{"dark_w": 3.0}] * 10 + [{"dark_w": 900.0}] * 4
    ((raised, verdict), *_) = troubles(said(evening, "meter:gen1", days))
    assert (raised, verdict.since) == (FIRST + timedelta(days=12), FIRST + timedelta(days=10))


@pytest.mark.parametrize("seed", range(3))
def test_strings_beside_their_inverter(evening: SiteNight, seed: int) -> None:
    rng = np.random.default_rng(seed)
    healthy = 1.02 + 0.01 * np.cos(np.arange(200) / 30.0) + rng.normal(0.0, 0.006, 200)  # sensors are no better
    assert not troubles(said(evening, "inverter:inv1", [{"ac_over_dc": float(v)} for v in healthy]))
    off = np.where(np.arange(60) < 30, 0.95, 0.88) + rng.normal(0.0, 0.004, 60)
    raised, verdict = troubles(said(evening, "inverter:inv1", [{"ac_over_dc": float(v)} for v in off]))[0]
    assert verdict.subject == "site"
    assert (raised - FIRST).days <= 38
    assert verdict.since is not None
    assert abs((verdict.since - FIRST).days - 30) <= 2


def with_import(site: Site, sign: float, house_w: Values | float) -> SiteNight:
    """A cloudy day of a home whose export meter sees net export only; reversed with `sign` -1."""
    clouds = np.repeat(np.random.default_rng(2).uniform(0.2, 1.0, 48), 6)
    columns = clear_day(site, sky=clouds)
    columns[EXPORT] = np.maximum(sign * (columns[AC] - house_w), 0.0)
    return night_of(site, columns)


def test_steps_of_export_follow_steps_of_generation() -> None:
    seen = observe_balances(with_import(home(), 1.0, 300.0))[GRID]
    assert seen["steps"] >= 10
    assert seen["steps_xy"] / seen["steps_xx"] == pytest.approx(-1.0, abs=0.03)
    assert "house_kwh" in seen


def test_hours_at_a_limit_and_unknown_batteries_are_left_out() -> None:
    site = home(export_limit_w=1000.0)
    limited = observe_balances(with_import(site, 1.0, 300.0)).get(GRID, {})
    free = observe_balances(with_import(home(), 1.0, 300.0))[GRID]
    assert limited.get("steps", 0.0) <= free["steps"]
    stored = home().model_copy(update={"battery": made_site(battery={"usable_kwh": 10.0, "rated_w": 5000.0}).battery})
    assert "steps" not in observe_balances(with_import(stored, 1.0, 300.0)).get(GRID, {})


def test_an_inverter_gives_a_little_less_than_its_strings() -> None:
    seen = observe_balances(night_of(home(), clear_day(home())))
    assert seen["inverter:inv1"]["ac_over_dc"] == pytest.approx(0.96, abs=0.01)
