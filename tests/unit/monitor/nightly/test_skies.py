"""Of whom a night keeps looks, which days teach a map, and what findings take out again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Channel, Seconds, Table, Values
from monitor.detect.evening import site_night
from monitor.detect.night import Region
from monitor.model.dayview import day_view, expect
from monitor.model.grid import grid
from monitor.model.history import SiteHistory
from monitor.model.learned_sky import LEAST_DAYS, KeptLooks, is_build_night, kept
from monitor.model.looks import DayLooks
from monitor.model.physics import site_physics
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION
from monitor.model.span import site_span
from monitor.nightly.skies import learn_skies, mapped_units, night_looks
from tests.unit.monitor.conftest import MODULE, made_site
from tests.unit.monitor.nightly.test_planes import trouble

JUNE = date(2026, 6, 1)
BEGIN = 20_605 * 86_400 - 3600
STARTS: Seconds = grid(BEGIN, BEGIN + 86_400)
AC = Channel("inverter:inv1", "ac_power", "mean", "W")
DC = tuple(Channel(f"string:{s}", "dc_power", "mean", "W") for s in ("s1", "s2"))


@pytest.fixture(scope="module")
def clear() -> dict[Channel, Values]:
    """A cloudless day of the made-up home."""
    physics = site_physics(made_site(), STARTS)
    return {c: np.round(physics.clear_w(c.subject), 1) for c in (AC, *DC)}


def looks(
    columns: dict[Channel, Values], *, troubled: tuple[str, ...] = (), snow: bool = False, **changes: object
) -> dict[str, KeptLooks]:
    site = made_site(**changes)
    view = day_view(site_span(site, {"log": Table(STARTS, columns)}, JUNE, JUNE), JUNE, SiteHistory())
    night = replace(
        site_night(view, expect(view, []), SiteHistory(), ()), snow_possible=snow, region=Region(2 if snow else 0, 0)
    )
    return {one.subject: one for one in night_looks(view, night, at_nothing=False, troubled=troubled)}


def test_measured_strings_have_looks_and_their_inverter_has_none_of_its_own(clear: dict[Channel, Values]) -> None:
    found = looks(clear)
    assert found.keys() == {"string:s1", "string:s2"}
    assert all(one.healthy and one.day == JUNE and one.gain == 1.0 for one in found.values())
    assert found["string:s1"].record.size > 20
    assert np.all(np.abs(found["string:s1"].record["transmittance"] - 1000) < 30)


def test_an_inverter_stands_for_strings_that_nobody_measures() -> None:
    columns = [{"column": "ac", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}]
    source = {
        "id": "log", "kind": "table", "files": "x.csv", "interval_minutes": 15, "time": {"column": "t", "zone": "UTC"},
        "columns": columns,
    }  # fmt: skip
    site = made_site(source=[source], meter=[])
    assert {u: [s.id for s in strings] for u, strings in mapped_units(site).items()} == {"inverter:inv1": ["s1", "s2"]}


def test_days_in_doubt_are_kept_but_teach_nothing(clear: dict[Channel, Values]) -> None:
    of_one = looks(clear, troubled=("string:s1",))
    assert (of_one["string:s1"].healthy, of_one["string:s2"].healthy) == (False, True)
    assert not any(one.healthy for one in looks(clear, snow=True).values())


def test_what_a_limit_may_have_held_back_is_not_looked_at(clear: dict[Channel, Values]) -> None:
    free = looks(clear)["string:s1"].record.size
    full = 4000.0 - np.random.default_rng(1).uniform(0.0, 9.0, clear[AC].size).round(1)
    small = {c: np.minimum(p, full * (1.0 if c == AC else 0.52)) for c, p in clear.items()}
    assert 0 < looks(small, inverter=[{"id": "inv1", "rated_ac_w": 4000}])["string:s1"].record.size < free - 8
    place = {
        "id": "elmcote", "name": "Elmcote", "latitude": 52.1, "longitude": -1.3, "altitude_m": 90,
        "timezone": "Europe/London", "commissioned": "2025-01-01", "export_limit_w": 4000,
    }  # fmt: skip
    assert 0 < looks(clear, site=place)["string:s1"].record.size < free - 8


def test_modules_that_are_measured_alone_have_looks_of_their_own(clear: dict[Channel, Values]) -> None:
    modules = {
        Channel(f"module:s1/{n:02d}", "dc_power", "mean", "W"): clear[DC[0]] / 10.0 * (0.5 if n == 4 else 1.0)
        for n in range(1, 11)
    }
    strings = [
        {"id": "s1", "inverter": "inv1", "plane": "south", "modules": 10, "module": MODULE, "module_electronics": True}
    ]
    source = {
        "id": "log", "kind": "table", "files": "x.csv", "interval_minutes": 15, "time": {"column": "t", "zone": "UTC"},
        "long": {"subject": "m", "value": "w", "quantity": "dc_power", "unit": "W", "pattern": "{string}-{module}"},
    }  # fmt: skip
    found = looks(modules, string=strings, source=[source], meter=[])
    assert found.keys() == {"string:s1", *(c.subject for c in modules)}
    middle = {s: float(np.median(one.record["transmittance"])) / 1000.0 for s, one in found.items()}
    assert middle["module:s1/04"] < 0.5
    assert middle["module:s1/05"] == pytest.approx(1.0, abs=0.01)


def chain(subject: str, nights: int, *, dark_from: int = 0) -> list[KeptLooks]:
    """Looks at one patch of sky, dark from a night on."""
    patch = np.flatnonzero((np.abs(CELL_AZIMUTH - 150.0) < 15.0) & (np.abs(CELL_ELEVATION - 20.0) < 6.0))
    one = np.ones(patch.size)
    found = []
    for n in range(nights):
        seen = np.full(patch.size, 0.2 if n >= dark_from else 1.0)
        day = DayLooks(JUNE + timedelta(n), patch, seen, 0.06 * one, 0.97 * one, one, 0.85 * one)
        found.append(kept(subject, day, gain=1.0, healthy=True))
    return found


def test_days_of_a_finding_that_was_raised_later_teach_nothing_any_more() -> None:
    """A string that fell dark on the third night is found out on the last: none of it goes into the map."""
    site, nights = made_site(), LEAST_DAYS + 7
    night = JUNE + timedelta(nights - 1)
    assert is_build_night(JUNE, night)
    told = {"string:s1": chain("string:s1", nights, dark_from=5)}
    (shaded,) = learn_skies(site, SiteHistory(), [], told, since=JUNE, night=night)
    assert shaded.casts_shade
    finding = replace(trouble("string:s1", JUNE + timedelta(31)), since=JUNE + timedelta(31), last_seen=night)
    (young,) = learn_skies(site, SiteHistory(), [finding], told, since=JUNE, night=night)
    assert young.sky_map.leafy_days.max() < shaded.sky_map.leafy_days.max()
    older = replace(finding, since=JUNE + timedelta(5))
    assert learn_skies(site, SiteHistory(), [older], told, since=JUNE, night=night) == []


def test_on_other_nights_nothing_is_built() -> None:
    told = {"string:s1": chain("string:s1", LEAST_DAYS + 8)}
    assert learn_skies(made_site(), SiteHistory(), [], told, since=JUNE, night=JUNE + timedelta(LEAST_DAYS + 7)) == []
