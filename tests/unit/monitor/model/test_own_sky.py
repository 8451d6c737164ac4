"""What a roof without neighbours knows of its own sky, and what of its own losses that must not hide."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.readings import Channel, Table, Values
from ingest.timeline import local_day
from monitor.config.models import Site
from monitor.detect.evening import site_night
from monitor.detect.inverter_outage import InverterOutage
from monitor.model.dayview import DayExpectation, day_view, expect
from monitor.model.gain import LEARNED_SIGMA, Gains
from monitor.model.grid import grid
from monitor.model.history import SiteHistory
from monitor.model.ladder import Witness
from monitor.model.own_sky import clear_windows, held
from monitor.model.physics import Physics, at_index, site_physics
from monitor.model.span import site_span
from tests.unit.monitor.conftest import made_site

JUNE = date(2026, 6, 14)
UNITS = ("string:s1", "string:s2", "inverter:inv1")
CHANNELS = {
    "string:s1": Channel("string:s1", "dc_power", "mean", "W"),
    "string:s2": Channel("string:s2", "dc_power", "mean", "W"),
    "inverter:inv1": Channel("inverter:inv1", "ac_power", "mean", "W"),
}
INVERTER = "inverter:inv1"


def log_of(*quantities: tuple[str, str]) -> list[dict[str, object]]:
    columns = [{"column": q + o, "quantity": q, "of": o, "unit": "W"} for q, o in quantities]
    return [
        {
            "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 15,
            "time": {"column": "t", "zone": "UTC"}, "columns": columns,
        }
    ]  # fmt: skip


TWO = made_site(meter=[], source=log_of(*((c.quantity, s) for s, c in CHANNELS.items())))
ONE = made_site(meter=[], source=log_of(("ac_power", INVERTER)))
EAST_WEST = made_site(
    meter=[],
    source=log_of(*((c.quantity, s) for s, c in CHANNELS.items())),
    plane=[{"id": "east", "tilt_deg": 30, "azimuth_deg": 90}, {"id": "west", "tilt_deg": 30, "azimuth_deg": 270}],
    string=[
        made_site().string[n].model_dump() | {"plane": plane} for n, plane in enumerate(("east", "west"))
    ],
)  # fmt: skip


def starts_of(site: Site) -> np.ndarray:
    begin, _ = local_day(JUNE, site.zone)
    return grid(begin, begin + 86_400)


def physics_of(site: Site) -> Physics:
    return site_physics(site, starts_of(site))


def powers(site: Site, sky: Values | float) -> dict[str, Values]:
    """What each unit makes under a sky."""
    physics = physics_of(site)
    index = np.broadcast_to(np.asarray(sky, np.float64), physics.starts.shape)
    return {s: np.asarray(at_index(physics.power_w[s], index)) for s in UNITS}


def expected(site: Site, power_w: Mapping[str, Values], foreign: tuple[Witness, ...] = ()) -> DayExpectation:
    """Of a home whose gains are learned, and whose sky was half clear as a rule."""
    return expect(view_of(site, power_w), foreign)


def view_of(site: Site, power_w: Mapping[str, Values]):  # type: ignore[no-untyped-def]
    known = {p.of for source in site.source for p in source.columns}  # type: ignore[union-attr]
    table = Table(starts_of(site), {CHANNELS[s]: p for s, p in power_w.items() if s in known})
    return day_view(site_span(site, {"log": table}, JUNE, JUNE), JUNE, settled())


def settled() -> SiteHistory:
    gains = Gains(1.0, 1.0, 1.0, LEARNED_SIGMA, True)
    return SiteHistory(frozen={s: (date(2026, 1, 1), gains) for s in UNITS})


def broken_clouds(seed: int = 3) -> Values:
    return np.random.default_rng(seed).uniform(0.2, 1.0, 96)


def share(found: DayExpectation, true_w: Values) -> float:
    return float(found.units[INVERTER].power_w.sum() / true_w.sum())


@pytest.mark.parametrize("site", [TWO, EAST_WEST])
def test_an_inverter_takes_the_sky_from_its_strings(site: Site) -> None:
    for sky in (1.0, 0.35, broken_clouds()):
        made = powers(site, sky)
        found = expected(site, made)
        assert share(found, made[INVERTER]) == pytest.approx(1.0, abs=0.03)
        assert found.units[INVERTER].source == "neighbours"
        # By itself a roof tells nothing from outside.
        assert np.isnan(found.outside_w[INVERTER]).all()


@given(st.floats(0.0, 0.8))
def test_what_one_string_lost_stays_in_what_is_expected_of_the_inverter(left: float) -> None:
    sound = powers(TWO, 0.9)
    less = sound | {"string:s2": left * sound["string:s2"]}
    less[INVERTER] = 0.5 * (1.0 + left) * sound[INVERTER]
    assert share(expected(TWO, less), sound[INVERTER]) > 0.97


def test_strings_at_zero_tell_no_sky_and_the_outage_is_found() -> None:
    dead = {s: np.zeros(96) for s in UNITS}
    found = expected(TWO, dead)
    assert found.units[INVERTER].source == "clear_sky"
    view = view_of(TWO, dead)
    (verdict,) = InverterOutage().find(site_night(view, found, SiteHistory()))
    assert verdict.says == "trouble"


def test_strings_at_zero_leave_the_word_to_the_neighbours() -> None:
    dead = {s: np.zeros(96) for s in UNITS}
    found = expected(TWO, dead, (Witness("other", np.full(96, 0.8), 0.05),))
    assert share(found, powers(TWO, 0.8)[INVERTER]) == pytest.approx(1.0, abs=0.03)
    assert found.units[INVERTER].source == "neighbours"


def test_an_inverter_that_stops_at_noon_is_found_without_neighbours() -> None:
    stopped = {s: np.where(np.arange(96) < 50, p, 0.0) for s, p in powers(TWO, 0.9).items()}
    view = view_of(TWO, stopped)
    (verdict,) = InverterOutage().find(site_night(view, expect(view, []), SiteHistory()))
    assert verdict.says == "trouble"


def test_others_are_believed_before_the_own_strings() -> None:
    """An inverter that gives back half under a sky that others saw: its strings lost as much."""
    sound = powers(TWO, broken_clouds())
    halved = {s: 0.5 * p for s, p in sound.items()}
    alone = expected(TWO, halved)
    beside = expected(TWO, halved, (Witness("other", broken_clouds(), 0.05),))
    assert share(beside, sound[INVERTER]) == pytest.approx(1.0, abs=0.02)
    assert share(alone, sound[INVERTER]) < 0.7  # what dims all of a roof at once nobody there sees


def test_a_level_that_is_held_tells_no_sky() -> None:
    sound = powers(TWO, 0.8)
    limited = {s: np.minimum(p, 0.4 * p.max()) for s, p in sound.items()}
    found = expected(TWO, limited).units[INVERTER]
    middle = np.flatnonzero(held(limited[INVERTER]) & (limited[INVERTER] > 0.0))
    assert middle.size > 20
    assert np.all(found.power_w[middle] >= 0.99 * np.minimum(sound[INVERTER], powers(TWO, 0.6)[INVERTER])[middle])


@pytest.mark.parametrize("level", [1.0, 0.85, 0.75])
def test_a_cloudless_day_of_a_single_unit_is_held_against_the_gain_once_learned(level: float) -> None:
    """A loss of level shows in full: the day's own level is no part of what is expected."""
    sound = powers(ONE, 1.0)
    found = expected(ONE, {INVERTER: level * sound[INVERTER]})
    assert share(found, sound[INVERTER]) == pytest.approx(0.95, abs=0.03)
    assert found.units[INVERTER].source == "clear_sky"
    same = expected(ONE, sound)
    assert found.units[INVERTER].power_w.sum() == pytest.approx(same.units[INVERTER].power_w.sum(), rel=0.02)


def test_what_all_strings_lose_of_a_cloudless_day_shows_beyond_the_thickest_haze() -> None:
    sound = powers(TWO, 1.0)
    found = expected(TWO, {s: 0.72 * p for s, p in sound.items()})
    assert share(found, sound[INVERTER]) > 0.82


def test_a_clouded_day_has_no_clear_window() -> None:
    made = powers(ONE, broken_clouds())
    gains, rated = {INVERTER: 1.0}, {INVERTER: 7500.0}
    assert not clear_windows(physics_of(ONE), {INVERTER: made[INVERTER]}, gains, rated).any()
    even = powers(ONE, 0.5)
    assert not clear_windows(physics_of(ONE), {INVERTER: even[INVERTER]}, gains, rated).any()


def test_gains_that_are_not_learned_show_no_cloudless_sky() -> None:
    view = view_of(ONE, powers(ONE, 1.0))
    new = day_view(view.span, JUNE, SiteHistory())
    usual = at_index(physics_of(ONE).power_w[INVERTER], np.full(96, new.usual_index))
    assert expect(new, []).units[INVERTER].power_w == pytest.approx(np.asarray(usual))
