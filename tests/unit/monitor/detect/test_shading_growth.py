"""New shade: where it stands, what it costs, and what is not new, or no shade."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.life import advance
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.shading_growth import LOOK_BACK_DAYS, ShadingGrowth, is_look_night
from monitor.model.grid import grid
from monitor.model.history import SiteHistory
from monitor.model.learned_sky import KeptLooks, LearnedSky, kept
from monitor.model.looks import Facing, day_looks
from monitor.model.physics import site_physics
from monitor.model.shade_cost import yearly_loss_share
from monitor.model.shading import shaded_physics
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELLS
from monitor.model.skymap import SkyMap, open_sky
from tests.unit.monitor.detect.limited import clear_day, home, night_of

SITE = home()
SEPTEMBER = date(2026, 9, 20)
LATITUDE = 52.1
OPEN = open_sky(LATITUDE)
# Something to the south-west, 30 degrees high.
TREE = (CELL_AZIMUTH > 215.0) & (CELL_AZIMUTH < 250.0) & (CELL_ELEVATION < 30.0)
TREE_CELLS = np.flatnonzero(TREE)


def known_sky(*, leafy: bool = True, bare: bool = True) -> SkyMap:
    """An open sky of which all cells are frozen, in the seasons asked for."""
    every, none = np.ones(CELLS, dtype=bool), np.zeros(CELLS, dtype=bool)
    days = np.full(CELLS, 9)
    return replace(
        open_sky(LATITUDE), leafy_frozen=every if leafy else none, bare_frozen=every if bare else none,
        leafy_days=days, bare_days=days,
    )  # fmt: skip


def behind(through: float) -> SkyMap:
    shade = np.where(TREE, through, 1.0)
    return replace(open_sky(LATITUDE), leafy=shade, bare=shade)


def looks(site: Site, sky: SkyMap, last: date, *, nights: int = LOOK_BACK_DAYS) -> list[KeptLooks]:
    """What string s1 saw behind a sky on every second day of the last nights, and of an open sky before, all clear."""
    found = []
    for n in range(LOOK_BACK_DAYS, 0, -2):
        day = last - timedelta(days=n)
        before = n > nights
        start = (day - date(1970, 1, 1)).days * 86_400
        tables = site_physics(site, grid(start, start + 86_400))
        power = shaded_physics(site, tables, {"string:s1": OPEN if before else sky}).clear_w("string:s1")
        one = day_looks(power, tables, "string:s1", day=day, gain=1.0, limit_w=5200.0, facing=[Facing(35.0, 180.0)])
        found.append(kept("string:s1", one, gain=1.0, healthy=True))
    return found


def told(
    now: SkyMap, *, before: SkyMap | None = None, day: date = SEPTEMBER, nights: int = LOOK_BACK_DAYS
) -> tuple[SiteNight, list[Verdict]]:
    past = SiteHistory()
    past.skies = {"string:s1": LearnedSky("string:s1", 0, date(2026, 3, 1), before or known_sky(), 1.0, 1.0)}
    seen = {"string:s1": looks(SITE, now, day, nights=nights)}
    night = replace(night_of(SITE, clear_day(SITE, day), day, past), looks=seen)
    return night, ShadingGrowth().find(night)


def test_a_new_tree_is_told_with_its_place_and_cost() -> None:
    night, (verdict,) = told(behind(0.1))
    assert (verdict.subject, verdict.says) == ("string:s1", "trouble")
    evidence = verdict.evidence
    assert evidence["azimuth_deg"] == pytest.approx(232.0, abs=10.0)
    assert evidence["elevation_deg"] == pytest.approx(30.0, abs=5.0)
    assert 0.0 < evidence["lost_kwh_per_year"] < 0.3 * 900.0 * 4.0
    (tonight,) = [loss for loss in verdict.losses if loss.day == night.day]
    unit = night.units["string:s1"]
    assert 0.0 < tonight.low < tonight.kwh < tonight.high < night.energy_kwh(unit.expected.power_w)


def test_a_wall_is_told_after_a_few_clear_days_with_the_day_on_which_it_came() -> None:
    _, (verdict,) = told(behind(0.1), nights=9)
    assert verdict.says == "trouble"
    assert verdict.since is not None
    assert abs((verdict.since - (SEPTEMBER - timedelta(days=9))).days) <= 3
    assert [loss.day for loss in verdict.losses][0] == verdict.since


def test_a_single_dark_clear_day_is_no_finding() -> None:
    _, (verdict,) = told(behind(0.1), nights=2)
    assert verdict.says == "healthy"


def test_more_clear_days_in_the_dark_make_it_surer() -> None:
    stated = [told(behind(0.1), nights=nights)[1][0].confidence for nights in (6, 31)]
    assert 0.5 < stated[0] < stated[1] < 1.0


def test_an_open_sky_is_healthy() -> None:
    _, (verdict,) = told(open_sky(LATITUDE))
    assert verdict.says == "healthy"


def test_what_always_stood_there_is_not_new() -> None:
    before = replace(known_sky(), leafy=behind(0.1).leafy, bare=behind(0.1).bare)
    _, (verdict,) = told(behind(0.1), before=before)
    assert verdict.says == "healthy"


def test_leaves_on_a_crown_that_was_only_seen_bare_are_not_new_shade() -> None:
    _, (verdict,) = told(behind(0.1), before=known_sky(leafy=False))
    assert verdict.says == "healthy"


def test_a_bare_crown_where_the_sky_was_open_with_leaves_is_new() -> None:
    november = date(2026, 11, 28)
    _, (verdict,) = told(behind(0.1), before=known_sky(bare=False), day=november)
    assert verdict.says == "trouble"


def test_a_sky_is_held_against_its_baseline_once_a_week() -> None:
    nights = [is_look_night("elmcote", SEPTEMBER + timedelta(days=n)) for n in range(28)]
    assert sum(nights) == 4


def test_between_those_nights_an_open_finding_counts_its_loss_and_nothing_is_judged() -> None:
    night, (verdict,) = told(behind(0.1))
    (change,) = advance(night, [verdict], [], suspected=lambda *_: (), raised=night.day)
    later = replace(night, looks={}, known=(change.finding,))
    (again,) = ShadingGrowth().find(later)
    assert again.says == "unclear"
    assert again.losses[0].kwh == pytest.approx([x for x in verdict.losses if x.day == night.day][0].kwh)


def test_what_was_built_stays_while_the_sun_passes_above_it() -> None:
    night, (verdict,) = told(behind(0.1))
    (change,) = advance(night, [verdict], [], suspected=lambda *_: (), raised=night.day)
    june = date(2027, 6, 20)
    high = {"string:s1": [one for one in looks(SITE, OPEN, june) if not np.isin(one.record["cell"], TREE_CELLS).any()]}
    (again,) = ShadingGrowth().find(replace(night, looks=high, known=(change.finding,)))
    assert again.says == "trouble"
    assert again.evidence["azimuth_deg"] == verdict.evidence["azimuth_deg"]


def test_a_pruned_tree_is_a_healthy_night() -> None:
    night, (verdict,) = told(behind(0.1))
    (change,) = advance(night, [verdict], [], suspected=lambda *_: (), raised=night.day)
    open_again = replace(
        night, looks={"string:s1": looks(SITE, open_sky(LATITUDE), night.day)}, known=(change.finding,)
    )
    (again,) = ShadingGrowth().find(open_again)
    assert again.says == "healthy"


@pytest.mark.parametrize(
    ("azimuth", "share"), [((120.0, 150.0), 0.029), ((210.0, 240.0), 0.029), ((150.0, 210.0), 0.075)]
)
def test_a_years_loss_is_near_published_sums(azimuth: tuple[float, float], share: float) -> None:
    """Amsterdam, plane 35 degrees to the south, obstruction up to 20 degrees; beam and diffuse, no reflected light.

    Sums over a typical meteorological year with pvlib (own calculation): 2.9 and
    7.5 % of the yearly irradiation.
    """
    dark = (azimuth[0] < CELL_AZIMUTH) & (azimuth[1] > CELL_AZIMUTH) & (CELL_ELEVATION < 20.0)
    hidden: Values = np.where(dark, 0.0, 1.0)
    found, by_month = yearly_loss_share(
        open_sky(52.4), replace(open_sky(52.4), leafy=hidden, bare=hidden), tilt_deg=35.0, azimuth_deg=180.0,
        beam_share=0.5,
    )  # fmt: skip
    assert found == pytest.approx(share, abs=0.016)
    assert by_month.sum() == pytest.approx(found)
