"""Cloudless hours beside the neighbours': haze that all see goes out, what one roof loses stays."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.detect.night import SiteNight
from monitor.detect.regional import beside_neighbours
from monitor.detect.underperforming_string import UnderperformingString
from monitor.detect.weak import CLEAR, CLEAR_BESIDE, look
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.detect.limited import JUNE, clear_day, home, night_of

DAYS = 150
ALONE = home(strings=1)
HAZE = 0.05 * np.sin(np.arange(DAYS) / 20.0) - 0.06 * (np.arange(DAYS) > 125)  # a season's wave and a hazy month


def past_of(clear: Values, subject: str = "string:s1", *, every: int = 2) -> SiteHistory:
    """What the nights of a site have left: its clear days, one in so many."""
    history = SiteHistory()
    for n in range(clear.size - 1):
        day = JUNE - timedelta(days=clear.size - 1 - n)
        features = {"clear": float(clear[n])} if n % every == (clear.size - 1) % every else {}
        history.add([DayNote(day, subject, 20.0, 18.0, 22.0, 1.0, features)])
    return history


def among(own: Values, neighbours: int, *, sigma: float = 0.02, seed: int = 1) -> SiteNight:
    """A night of a roof of one string that saw this, with neighbours who saw the haze, each at a level of its own."""
    rng = np.random.default_rng(seed)
    others = [
        past_of(HAZE + 0.1 * n + rng.normal(0.0, sigma, DAYS), "inverter:inv1", every=1 + n % 3)
        for n in range(neighbours)
    ]
    seen = own + rng.normal(0.0, sigma, DAYS)
    past = past_of(seen)
    made = night_of(ALONE, clear_day(ALONE), past=past)
    return replace(made, past=past, beside=others, traits={"string:s1": {"clear": float(seen[-1])}})


def test_haze_that_all_see_goes_out() -> None:
    night = among(HAZE - 0.03, 5, sigma=0.005)
    days, values = beside_neighbours(night, "string:s1", "clear_beside")
    assert days[-1] == JUNE.toordinal()
    raw = night.series("string:s1", "clear")[1]
    spread, with_haze = (np.ptp([np.median(part) for part in np.array_split(v, 5)]) for v in (values, raw))
    assert spread < 0.4 * with_haze
    assert look(night, "string:s1", CLEAR_BESIDE) is None


def test_what_one_roof_loses_stays_and_is_seen_where_its_own_haze_would_hide_it() -> None:
    own = HAZE - 0.12 * (np.arange(DAYS) > 118)
    night = among(own, 5)
    weakness = look(night, "string:s1", CLEAR_BESIDE)
    assert weakness is not None
    assert weakness.drop.size == pytest.approx(-0.12, abs=0.03)
    assert abs((weakness.since - (JUNE - timedelta(days=DAYS - 1 - 119))).days) <= 4
    assert look(night, "string:s1", CLEAR) is None
    verdict = next(v for v in UnderperformingString().find(night) if v.subject == "string:s1")
    assert (verdict.says, verdict.evidence["trait"]) == ("trouble", "clear_beside")


@pytest.mark.parametrize("bad", [0.0, -0.4])
def test_one_bad_neighbour_does_not_move_it(bad: float) -> None:
    night = among(HAZE, 4)
    spoilt = past_of(HAZE + bad * (np.arange(DAYS) > 100), "inverter:inv1")
    _, values = beside_neighbours(replace(night, beside=[*night.beside, spoilt]), "string:s1", "clear_beside")
    assert abs(float(np.median(values[-10:]) - np.median(values[:40]))) < 0.02


def test_two_neighbours_are_too_few() -> None:
    days, values = beside_neighbours(among(HAZE, 2), "string:s1", "clear_beside")
    assert days.size == values.size == 0


def test_what_a_neighbour_saw_later_is_not_used() -> None:
    night = among(HAZE, 4)
    own = beside_neighbours(night, "string:s1", "clear_beside")
    for history in night.beside:
        for n in range(6):
            later = JUNE + timedelta(days=n)
            history.add([DayNote(later, "inverter:inv1", 1.0, 1.0, 1.0, 1.0, {"clear": -1.0})])
    seen = beside_neighbours(night, "string:s1", "clear_beside")
    assert np.array_equal(own[0], seen[0])
    assert np.allclose(own[1], seen[1], atol=1e-6)


@pytest.mark.parametrize("alike", [True, False])
def test_what_all_strings_lose_alike_is_told_of_their_inverter(alike: bool) -> None:
    """Beside each other they are level, so only the neighbours' roofs tell of it."""
    rng = np.random.default_rng(7)
    site, others = home(), among(HAZE, 5).beside
    own = HAZE - 0.13 * (np.arange(DAYS) > 118) + rng.normal(0.0, 0.02, DAYS)
    past = past_of(own, "inverter:inv1")
    made = night_of(site, clear_day(site), past=past)
    if not alike:
        made = replace(made, units={s: u for s, u in made.units.items() if s != "string:s2"})
    night = replace(made, past=past, beside=others, traits={"inverter:inv1": {"clear": float(own[-1])}})
    found = {v.subject: v for v in UnderperformingString().find(night) if v.says == "trouble"}
    if not alike:
        assert "inverter:inv1" not in found
        return
    verdict = found["inverter:inv1"]
    assert verdict.evidence["all_strings_alike"]
    assert verdict.confidence <= 0.6
    assert verdict.others == {"soiling": pytest.approx(1.0 - verdict.confidence)}
