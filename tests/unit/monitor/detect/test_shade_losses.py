"""What new shade took from a day: measured behind it, whoever else of the roof stands in the same shade."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Channel, Values
from ingest.timeline import local_day
from monitor.detect.delivered import USUAL_EFFICIENCY
from monitor.detect.night import SiteNight
from monitor.detect.shade_losses import Shadow, loss_tonight, losses_before
from monitor.model.grid import STEP_S, grid
from monitor.model.learned_sky import KeptLooks, kept
from monitor.model.looks import Facing, day_looks
from monitor.model.physics import Physics, at_index, site_physics
from monitor.model.shading import shaded_physics
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION
from monitor.model.skymap import SkyMap, open_sky
from tests.unit.monitor.detect.limited import POWER, clear_day, home, night_of, times

SITE = home()
SEPTEMBER = date(2026, 9, 20)
WALL = (CELL_AZIMUTH > 215.0) & (CELL_AZIMUTH < 250.0) & (CELL_ELEVATION < 30.0)
THROUGH = 0.1
UNIT = "string:s1"


def behind() -> SkyMap:
    shade = np.where(WALL, THROUGH, 1.0)
    return replace(open_sky(52.1), leafy=shade, bare=shade)


def shadow(hidden: float = 0.0) -> Shadow:
    return Shadow(np.where(WALL, 1.0 - THROUGH, 0.0), hidden)


def tables(day: date) -> tuple[Physics, Physics]:
    """Of the open sky, and with the wall before both strings."""
    physics = site_physics(SITE, grid(*local_day(day, SITE.zone)))
    return physics, shaded_physics(SITE, physics, {f"string:{s}": behind() for s in ("s1", "s2")})


def made(day: date, index: float) -> tuple[Values, float]:
    """Power of a string behind the wall under an even sky, and what the wall takes (its beam alone) [kWh]."""
    free, shaded = tables(day)
    open_w = at_index(free.power_w[UNIT], np.full(free.starts.shape, index))
    beam = open_w * at_index(free.beam_share[UNIT], np.full(free.starts.shape, index))
    through = shaded.power_w[UNIT][11] / np.maximum(free.power_w[UNIT][11], 1e-9)
    taken = np.where(through < 0.95, beam * (1.0 - THROUGH), 0.0)
    return open_w - taken, float(taken.sum()) * STEP_S / 3.6e6


def night(index: float) -> tuple[SiteNight, float]:
    """Both strings stand in the same shade, and nobody outside tells of the sky."""
    power, lost = made(SEPTEMBER, index)
    columns: dict[Channel, Values] = clear_day(SITE, SEPTEMBER)
    quarters = grid(*local_day(SEPTEMBER, SITE.zone))
    for channel in POWER.values():
        columns[channel] = np.interp(times(SITE, SEPTEMBER) + 150.0, quarters + 450.0, power)
    return night_of(SITE, columns, SEPTEMBER), lost


@pytest.mark.parametrize("index", [1.0, 0.7])
def test_a_night_tells_what_the_wall_took(index: float) -> None:
    there, lost = night(index)
    told = loss_tonight(there, UNIT, shadow())
    assert told.kwh == pytest.approx(lost * USUAL_EFFICIENCY, rel=0.15)
    assert told.low < told.kwh < told.high


def test_a_dull_day_loses_only_the_light_of_the_hidden_sky() -> None:
    there, _ = night(0.25)
    made_kwh = there.energy_kwh(there.units[UNIT].power_w)
    assert loss_tonight(there, UNIT, shadow()).kwh < 0.03 * made_kwh
    assert loss_tonight(there, UNIT, shadow(0.1)).kwh == pytest.approx(0.1 * made_kwh, rel=0.5)


def half_as_bright(there: SiteNight) -> dict[str, Values]:
    return {UNIT: 0.5 * at_index(tables(SEPTEMBER)[0].power_w[UNIT], np.ones(there.starts.shape))}


def test_neighbours_who_saw_less_sun_make_the_loss_smaller_but_the_own_roof_is_nearer() -> None:
    there, _ = night(1.0)
    alone = loss_tonight(there, UNIT, shadow()).kwh
    told = loss_tonight(replace(there, outside_w=half_as_bright(there)), UNIT, shadow()).kwh
    assert 0.5 * alone < told < 0.95 * alone


def test_a_sensor_tells_it_all() -> None:
    there, _ = night(1.0)
    alone = loss_tonight(there, UNIT, shadow()).kwh
    unit = there.units[UNIT]
    sensed = {**there.units, UNIT: replace(unit, expected=replace(unit.expected, source="sensor"))}
    told = loss_tonight(replace(there, units=sensed, outside_w=half_as_bright(there)), UNIT, shadow()).kwh
    assert told < 0.6 * alone


def test_a_sky_that_was_carried_into_the_night_from_the_shade_tells_nothing() -> None:
    there, _ = night(1.0)
    sun = tables(SEPTEMBER)[0].sun
    dusk = np.where((sun.elevation_deg < 2.0) & (sun.azimuth_deg > 180.0), 0.15, there.index)
    west = (CELL_AZIMUTH > 215.0) & (CELL_ELEVATION < 30.0)
    evening = Shadow(np.where(west, 1.0 - THROUGH, 0.0), 0.0)
    plain, told = (loss_tonight(replace(there, index=i), UNIT, evening).kwh for i in (there.index, dusk))
    assert told == pytest.approx(plain, rel=0.05)


def test_a_gap_in_the_readings_is_filled_by_the_model() -> None:
    there, lost = night(1.0)
    unit = there.units[UNIT]
    silent = replace(unit, power_w=np.full(unit.power_w.shape, np.nan))
    told = loss_tonight(replace(there, units={**there.units, UNIT: silent}), UNIT, shadow())
    assert told.kwh == pytest.approx(lost * USUAL_EFFICIENCY, rel=0.25)


def test_a_unit_that_is_not_measured_loses_nothing_tonight() -> None:
    there, _ = night(1.0)
    assert loss_tonight(replace(there, units={}), UNIT, shadow()).kwh == 0.0


def looks_of(day: date, index: float, *, wall: bool) -> KeptLooks:
    free, _ = tables(day)
    open_w = at_index(free.power_w[UNIT], np.full(free.starts.shape, index))
    power = made(day, index)[0] if wall else open_w
    one = day_looks(power, free, UNIT, day=day, gain=1.0, limit_w=5200.0, facing=[Facing(35.0, 180.0)])
    return kept(UNIT, one, gain=1.0, healthy=True)


def test_earlier_days_are_told_from_their_looks() -> None:
    days = [SEPTEMBER - timedelta(days=n) for n in (4, 3, 2, 1)]
    sky, wall = (1.0, 1.0, 0.25, 1.0), (False, True, True, True)
    chain = [looks_of(day, index, wall=there) for day, index, there in zip(days, sky, wall, strict=True)]
    told = losses_before(replace(night(1.0)[0], looks={UNIT: chain}), UNIT, shadow(), days[0])
    full = [made(day, 1.0)[1] * USUAL_EFFICIENCY for day in days]
    assert [loss.day for loss in told] == days
    assert told[0].kwh < 0.1 * full[0]  # it was not there yet
    assert told[1].kwh == pytest.approx(full[1], rel=0.2)
    assert told[2].kwh < 0.1 * full[2]
    assert told[3].kwh == pytest.approx(full[3], rel=0.2)


def test_days_before_the_first_one_are_left_alone() -> None:
    chain = [looks_of(SEPTEMBER - timedelta(days=n), 1.0, wall=True) for n in (3, 2, 1)]
    told = losses_before(replace(night(1.0)[0], looks={UNIT: chain}), UNIT, shadow(), SEPTEMBER - timedelta(days=2))
    assert [loss.day for loss in told] == [SEPTEMBER - timedelta(days=2), SEPTEMBER - timedelta(days=1)]
    assert np.isfinite([loss.kwh for loss in told]).all()
