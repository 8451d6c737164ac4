"""Clocks: what an hour, a drift and a wrong zone look like, and roofs that only look like that."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.clock_error import ClockError
from monitor.detect.clocks import observe_clocks
from monitor.detect.life import advance
from monitor.detect.night import SiteNight, Verdict
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.detect.limited import clear_day, home, night_of

SPRING = date(2026, 3, 29)  # clocks go forward in the United Kingdom
MINUTE = 60.0


@pytest.fixture(scope="module")
def roof() -> Site:
    return home()


def traits(
    late_min: Values, *, seed: int = 1, clear_every: int = 6, shade: Values | float = 0.0
) -> list[dict[str, float]]:
    """Days of a source that is so late, with a healthy roof's scatter; `shade` [min] holds back mornings only."""
    rng = np.random.default_rng(seed)
    cloud = rng.gamma(2.0, 6.0, late_min.size)  # dull mornings begin later, dull evenings end earlier
    first = late_min + cloud + shade + rng.normal(0.0, 6.0, late_min.size)
    last = late_min - cloud + rng.normal(0.0, 6.0, late_min.size)
    days = [{"first_s": float(a * MINUTE), "last_s": float(b * MINUTE)} for a, b in zip(first, last, strict=True)]
    for n in range(0, len(days), clear_every):
        days[n]["late_s"] = float((late_min[n] + np.broadcast_to(shade, late_min.shape)[n] / 3.0) * MINUTE + 120.0)
    return days


def verdicts(night: SiteNight, first_day: date, days: list[dict[str, float]]) -> list[tuple[date, Verdict]]:
    """Every night's verdict on the source `log`, raising and keeping findings as the nights do."""
    past, known = SiteHistory(), ()
    said: list[tuple[date, Verdict]] = []
    for n, seen in enumerate(days):
        day = first_day + timedelta(days=n)
        tonight = replace(night, day=day, past=past, traits={"source:log": seen}, known=known)
        (verdict,) = ClockError().find(tonight)
        changes = advance(tonight, [verdict], known, suspected=lambda *_: (), raised=day)
        known = tuple(c.finding for c in changes) or known
        past.add([DayNote(day, "source:log", None, None, None, 1.0, seen)])
        said.append((day, verdict))
    return said


@pytest.fixture(scope="module")
def night(roof: Site) -> SiteNight:
    return night_of(roof, clear_day(roof))


def troubles(said: list[tuple[date, Verdict]]) -> list[tuple[date, Verdict]]:
    return [(day, v) for day, v in said if v.says == "trouble"]


@pytest.mark.parametrize("late_s", [-3600, 0, 1200, 3600])
def test_the_stamps_of_a_clear_day_are_late_by_so_much(roof: Site, late_s: int) -> None:
    late = {c: np.roll(v, late_s // 300) for c, v in clear_day(roof).items()}
    seen = observe_clocks(night_of(roof, late))["source:log"]
    assert seen["late_s"] == pytest.approx(late_s, abs=120)
    assert (seen["first_s"] + seen["last_s"]) / 2.0 == pytest.approx(late_s, abs=120)
    # An inverter that wakes with less light than the model's one does so at both ends.
    assert seen["last_s"] - seen["first_s"] == pytest.approx(0.0, abs=2000)


def test_a_dull_day_keeps_its_middle(roof: Site) -> None:
    clouds = np.repeat(np.random.default_rng(4).uniform(0.5, 1.5, 48), 6)
    dull = clear_day(roof, sky=0.3 * clouds)
    seen = observe_clocks(night_of(roof, dull))["source:log"]
    assert "late_s" not in seen
    assert abs(seen["first_s"] + seen["last_s"]) / 2.0 < 15 * MINUTE


def test_a_day_without_its_morning_tells_nothing(roof: Site) -> None:
    holed = {c: np.where(np.arange(v.size) % 4 > 0, np.nan, v) for c, v in clear_day(roof).items()}
    holed = {c: np.where(np.abs(np.arange(v.size) - 150) < 60, np.nan, v) for c, v in holed.items()}
    assert observe_clocks(night_of(roof, holed)) == {}


@pytest.mark.parametrize("way", [-60.0, 60.0])
@pytest.mark.parametrize("seed", range(4))
def test_missed_daylight_saving_is_found_within_days(night: SiteNight, way: float, seed: int) -> None:
    late = np.where(np.arange(100) < 40, 0.0, way)
    said = verdicts(night, SPRING - timedelta(days=40), traits(late, seed=seed))
    first_night, verdict = troubles(said)[0]
    assert 2 <= (first_night - SPRING).days <= 6
    assert verdict.since == SPRING
    assert verdict.evidence["daylight_saving"]
    assert verdict.evidence["minutes_late"] == pytest.approx(way, abs=12)
    assert all(v.says == "trouble" for _, v in said[-40:])
    assert all(not v.losses for _, v in said)


def test_it_clears_when_the_clock_is_right_again(night: SiteNight) -> None:
    late = np.where((np.arange(120) >= 40) & (np.arange(120) < 80), 60.0, 0.0)
    said = verdicts(night, SPRING - timedelta(days=40), traits(late))
    assert [v.says for _, v in said[-30:]] == ["healthy"] * 30


def test_a_jump_on_another_day_is_no_daylight_saving(night: SiteNight) -> None:
    late = np.where(np.arange(80) < 50, 0.0, 60.0)
    _, verdict = troubles(verdicts(night, SPRING - timedelta(days=20), traits(late)))[0]
    assert not verdict.evidence["daylight_saving"]
    assert verdict.since is not None
    assert abs((verdict.since - (SPRING + timedelta(days=30))).days) <= 1


def test_a_clock_that_runs_fast(night: SiteNight) -> None:
    late = np.maximum(np.arange(120) - 40.0, 0.0) * 1.0  # a minute a day
    said = verdicts(night, date(2026, 4, 1), traits(late))
    first_night, verdict = troubles(said)[0]
    wrong_since = date(2026, 4, 1) + timedelta(days=40)
    assert 20 <= (first_night - wrong_since).days <= 45
    assert verdict.since is not None
    assert abs((verdict.since - wrong_since).days) <= 15


@pytest.mark.parametrize("late_min", [-60.0, 60.0])
def test_another_zone_from_the_first_day_on(night: SiteNight, late_min: float) -> None:
    first = date(2026, 4, 20)
    first_night, verdict = troubles(verdicts(night, first, traits(np.full(60, late_min))))[0]
    assert (first_night - first).days <= 12
    assert (verdict.evidence["way"], verdict.since) == ("standing", first)
    assert verdict.confidence < 0.9


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_roof_through_four_changes_of_the_clock(night: SiteNight, seed: int) -> None:
    days = 500
    season = 12.0 * np.cos(2.0 * np.pi * np.arange(days) / 365.0)  # an azimuth that is not quite what the papers say
    said = verdicts(night, date(2025, 1, 1), traits(season, seed=seed))
    assert not troubles(said)


@pytest.mark.parametrize("seed", range(3))
def test_mornings_lost_to_a_neighbour_s_house_are_no_clock(night: SiteNight, seed: int) -> None:
    """From one day on the sun comes an hour and a half later over a new roof in the east."""
    late = np.zeros(120)
    said = verdicts(night, date(2026, 3, 1), traits(late, seed=seed, shade=np.where(np.arange(120) < 50, 0.0, 90.0)))
    assert not troubles(said)


def test_inverters_that_stop_at_noon_are_no_clock(night: SiteNight) -> None:
    days = traits(np.zeros(90))
    for seen in days[60:]:
        seen["last_s"] -= 5 * 3600.0
        seen.pop("late_s", None)
    assert not troubles(verdicts(night, date(2026, 3, 1), days))


def test_a_wrong_azimuth_moves_centroids_but_no_ends(night: SiteNight) -> None:
    days = traits(np.zeros(60), clear_every=2)
    for seen in days:
        if "late_s" in seen:
            seen["late_s"] += 27 * MINUTE
    assert not troubles(verdicts(night, date(2026, 6, 1), days))


def test_weeks_without_a_day_that_tells_say_nothing(night: SiteNight) -> None:
    past = SiteHistory()
    (verdict,) = ClockError().find(replace(night, past=past, traits={}))
    assert verdict.says == "unclear"
