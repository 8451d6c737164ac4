"""The order of findings: dangers first, then by level and by probability times the next twelve months."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.price import Price, kwh_price
from monitor.jobs.valuing import clear_days
from monitor.model.history import DayNote, SiteHistory
from monitor.report.ranking import NextYear, bearer, is_whole, next_year, turn, year_energy
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.report.test_adding_up import finding

PRICE = Price(0.3, "import_price")
SUMMER_ONLY = [1.0, 1.0, 1.0, 1.0, 9.0, 9.0, 9.0, 9.0, 1.0, 1.0, 1.0, 1.0]


def value(one: Finding, **known: Any) -> NextYear:
    found = next_year(one, **{"year_kwh": 1000.0, "expected_since_kwh": 200.0, "price": PRICE, **known})
    assert found is not None
    return found


def test_a_dead_string_loses_the_whole_year_and_a_weak_one_its_fraction() -> None:
    dead = value(finding("a", "string:s1", "failed_string", confidence=0.9))
    assert (dead.kwh, dead.rank_kwh, dead.money) == (1000.0, 900.0, pytest.approx(300.0))
    weak = finding("b", "string:s1", "underperforming_string", evidence={"loss_fraction": 0.1})
    assert value(weak).kwh == pytest.approx(100.0)
    shade = finding("c", "string:s1", "shading_growth", evidence={"lost_kwh_per_year": 77.0})
    assert value(shade).kwh == 77.0
    trips = finding("d", "inverter:inv1", "grid_voltage_trip", lost_kwh=10.0)
    assert value(trips).kwh == pytest.approx(50.0)  # a twentieth was lost so far


def test_what_is_over_normal_or_unknown_has_no_value() -> None:
    dead = finding("a", "string:s1", "failed_string")
    for one, known in (
        (replace(dead, state="cleared"), {}),
        (replace(dead, level="note"), {}),
        (dead, {"year_kwh": None}),
        (finding("b", "site", "soiling"), {"expected_since_kwh": 0.0}),
    ):
        given = {"year_kwh": 1000.0, "expected_since_kwh": 200.0, "price": None} | known
        assert next_year(one, **given) is None  # type: ignore[arg-type]
    assert value(dead, price=None).money is None


def test_dangers_come_first_and_value_decides_within_a_level() -> None:
    heats = finding("heats", "string:s1", "underperforming_string", evidence={"grows_with_current": True})
    out = finding("out", "inverter:inv1", "inverter_outage", level="urgent")
    small, large = (finding(n, "string:s2", "underperforming_string", lost_kwh=9.0) for n in ("small", "large"))
    worth = {
        "heats": NextYear(1.0, 1.0, None, None), "out": NextYear(9.0, 9.0, None, None),
        "small": NextYear(90.0, 20.0, None, None), "large": NextYear(60.0, 50.0, None, None),
    }  # fmt: skip
    order = sorted([small, large, out, heats], key=lambda f: turn(f, worth[f.id]))
    assert [f.id for f in order] == ["heats", "out", "large", "small"]


def test_months_not_seen_yet_follow_the_clear_sky(site: Site) -> None:
    assert year_energy({}, SUMMER_ONLY) is None
    winter = year_energy({1: (31 * 0.5, 31)}, SUMMER_ONLY)
    assert winter == pytest.approx(0.5 * (1.0 * 242.25 + 9.0 * 123.0))  # 123 days from May to August
    whole = {month: (30.0 * month, 30) for month in range(1, 13)}
    assert year_energy(whole, SUMMER_ONLY) == pytest.approx(
        sum(n * m for n, m in zip((31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31), range(1, 13), strict=True))
    )
    clear = clear_days(site, 2026)
    assert max(range(12), key=lambda m: clear["inverter:inv1"][m]) in (4, 5, 6)
    assert clear["site"] == clear["inverter:inv1"]
    assert clear["string:s1"][11] < 0.5 * clear["string:s1"][5]


def test_a_string_that_nobody_measures_has_its_part_of_the_inverter(site: Site) -> None:
    rows = frozenset({"site", "inverter:inv1", "string:s2"})
    assert bearer(site, "string:s1", rows) == ("inverter:inv1", 0.5)
    assert bearer(site, "string:s2", rows) == ("string:s2", 1.0)
    assert bearer(site, "module:s2/03", rows) == ("string:s2", 0.1)
    assert bearer(site, "source:log", rows) is None


def metered(days: int, exported: float) -> SiteHistory:
    known = SiteHistory()
    for n in range(days):
        traits = {"made_kwh": 10.0, "exported_kwh": 10.0 * exported}
        known.add([DayNote(date(2026, 1, 1) + timedelta(n), "meter:grid", None, None, None, 1.0, traits)])
    return known


@pytest.mark.parametrize(("days", "per_kwh", "basis"), [(59, 0.30, "import_price"), (60, 0.18, "grid_meter")])
def test_a_grid_meter_says_what_a_lost_kwh_is_worth_after_sixty_days(days: int, per_kwh: float, basis: str) -> None:
    site = made_site(
        tariff={"import_per_kwh": 0.30, "export_per_kwh": 0.10}, meter=[{"id": "grid", "role": "grid"}], source=[]
    )
    price = kwh_price(site, metered(days, 0.6))
    assert price is not None
    assert (price.per_kwh, price.basis) == (pytest.approx(per_kwh), basis)
    assert kwh_price(made_site(tariff=None), metered(days, 0.6)) is None


def test_a_whole_year_needs_no_clear_sky() -> None:
    whole = {month: (30.0 * month, 30) for month in range(1, 13)}
    assert is_whole(whole)
    assert year_energy(whole, SUMMER_ONLY) == year_energy(whole, [1.0] * 12)
    assert not is_whole(whole | {3: (9.0, 9)})
