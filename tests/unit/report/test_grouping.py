"""Findings that are told once: of one site, of one street, of one way on which readings come."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.report.grouping import clustered, distance_km, grouped

TABLE = {
    "kind": "table", "interval_minutes": 5, "time": {"column": "Time", "zone": "UTC"},
    "columns": [{"column": "kW", "quantity": "ac_power", "of": "inverter:inv1", "unit": "kW"}],
}  # fmt: skip


@pytest.fixture
def street(make_site: Callable[..., Site]) -> dict[str, Site]:
    """Three sites of one street, and one of another town."""
    lat = {"elm": 52.1, "oak": 52.101, "ash": 52.102, "yew": 52.6}
    return {name: make_site(id=name, name=name.title(), latitude=at) for name, at in lat.items()}


def with_source(site: Site, **settings: Any) -> Site:
    source = TABLE | {"id": "log", "files": f"incoming/{site.id}/*.csv"} | settings
    return Site.model_validate(site.model_dump() | {"source": [source]})


def names(found: list[Any]) -> list[tuple[str, ...]]:
    return [tuple(f.site for f in group.findings) for group in found]


def test_trips_of_one_street_are_one_story(street: dict[str, Site], make_finding: Callable[..., Finding]) -> None:
    trips = [
        make_finding(id=name, site=name, subject="inverter:inv1", cause="grid_voltage_trip", since=date(2026, 6, day))
        for name, day in (("elm", 1), ("yew", 1), ("oak", 20), ("ash", 9))
    ]
    found = grouped(trips, street)
    assert names(found) == [("elm", "oak", "ash"), ("yew",)]
    assert found[0].common == (
        "3 sites less than 1 km apart, begun about the same time: it is likely the street's grid, not the inverters: "
        "one complaint for all."
    )
    assert found[1].common == ""


def test_dead_strings_of_neighbours_have_nothing_in_common(
    street: dict[str, Site], make_finding: Callable[..., Finding]
) -> None:
    assert names(grouped([make_finding(id=n, site=n) for n in ("elm", "oak")], street)) == [("elm",), ("oak",)]


def test_outages_of_one_day_point_to_the_mains(street: dict[str, Site], make_finding: Callable[..., Finding]) -> None:
    def outage(site: str, since: date) -> Finding:
        return make_finding(id=site, site=site, subject="inverter:inv1", cause="inverter_outage", since=since)

    day, weeks_later = date(2026, 8, 3), date(2026, 8, 20)
    found = grouped([outage("elm", day), outage("oak", day), outage("ash", weeks_later)], street)
    assert names(found) == [("elm", "oak"), ("ash",)]
    assert "interruption of the mains" in found[0].common


def test_one_tree_before_two_strings_is_one_story(
    street: dict[str, Site], make_finding: Callable[..., Finding]
) -> None:
    def shade(string: str, azimuth: float) -> Finding:
        return make_finding(
            id=string, site="elm", subject=f"string:{string}", cause="shading_growth",
            evidence={"azimuth_deg": azimuth, "elevation_deg": 20.0},
        )  # fmt: skip

    found = grouped([shade("s1", 355.0), shade("s2", 6.0), shade("s3", 90.0)], street)
    assert [[f.id for f in group.findings] for group in found] == [["s1", "s2"], ["s3"]]
    assert found[0].common == ""


@pytest.mark.parametrize(
    ("shared", "other", "told_once"),
    [
        ({}, {}, True),  # the layout of the export is the same
        ({}, {"interval_minutes": 15}, False),
        ({"files": "incoming/portal/a_*.csv"}, {"files": "incoming/portal/b_*.csv", "interval_minutes": 15}, True),
    ],
)
def test_wrong_readings_of_one_way_in_are_told_once(
    street: dict[str, Site],
    make_finding: Callable[..., Finding],
    shared: dict[str, Any],
    other: dict[str, Any],
    told_once: bool,
) -> None:
    sites = {"elm": with_source(street["elm"], **shared), "yew": with_source(street["yew"], **other)}
    clocks = [make_finding(id=n, site=n, subject="source:log", cause="clock_error") for n in sites]
    found = grouped(clocks, sites)
    assert names(found) == ([("elm", "yew")] if told_once else [("elm",), ("yew",)])
    if told_once:
        assert found[0].common == (
            "2 sites whose readings come the same way, begun within a day: look at the export that they share before "
            "any single site."
        )


def test_another_fault_of_the_readings_is_another_story(
    street: dict[str, Site], make_finding: Callable[..., Finding]
) -> None:
    faults = [
        make_finding(id=kind, site="elm", subject="string:s1", cause="data_fault", evidence={"fault": kind})
        for kind in ("unit", "stuck")
    ]
    assert len(grouped(faults, street)) == 2


def test_clusters_join_through_what_lies_between() -> None:
    assert clustered([1, 5, 3, 9], lambda a, b: abs(a - b) <= 2) == [[1, 5, 3], [9]]


def test_a_tenth_of_a_degree_of_latitude_is_eleven_kilometres(make_site: Callable[..., Site]) -> None:
    km = distance_km(make_site(latitude=52.0), make_site(latitude=52.1))
    assert km == pytest.approx(11.12, abs=0.01)  # 6371 km x pi / 1800
