"""Sites on a chart: who is near whom, and groups that lie together."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.config.models import Site
from monitor.model.ladder import MAX_NEIGHBOUR_KM
from monitor.model.span import kilometres
from monitor.nightly.cases import Case, Chart
from monitor.nightly.groups import groups_of
from tests.unit.monitor.conftest import made_site


def placed(name: str, latitude: float, longitude: float) -> Site:
    site = made_site()
    place = site.site.model_copy(update={"id": name, "latitude": latitude, "longitude": longitude})
    return site.model_copy(update={"site": place})


def scattered(middle: tuple[float, float], count: int = 60) -> list[Site]:
    """Sites within a degree and a half around, some of them at the same place."""
    offsets = np.random.default_rng(4).uniform(-1.5, 1.5, (count, 2)).round(1)
    wide = [(middle[1] + east + 180.0) % 360.0 - 180.0 for _, east in offsets]
    return [placed(f"home{n:03d}", middle[0] + offsets[n, 0], wide[n]) for n in range(count)]


@pytest.mark.parametrize("middle", [(52.0, -1.0), (-34.0, 151.0), (65.0, 179.9), (0.2, 0.0)])
def test_the_nearest_are_those_of_every_pair_measured(middle: tuple[float, float]) -> None:
    sites = scattered(middle)
    chart = Chart(sites)
    for site in sites:
        pairs = sorted((kilometres(site, o), o.id) for o in sites if o.id != site.id)
        near = [(name, km) for km, name in pairs if km <= MAX_NEIGHBOUR_KM]
        assert chart.nearest(site) == near[:12]
        assert chart.within_reach(site) == [name for name, _ in near]


def test_who_is_near_does_not_depend_on_the_order_of_the_sites() -> None:
    sites = scattered((52.0, -1.0))
    forth, back = Chart(sites), Chart(sites[::-1])
    assert all(forth.nearest(site) == back.nearest(site) for site in sites)


@pytest.mark.parametrize(("count", "most"), [(0, 5), (5, 5), (60, 7), (60, 1)])
def test_groups_hold_every_site_once_and_no_more_than_they_may(count: int, most: int) -> None:
    cases = [Case(site) for site in scattered((52.0, -1.0), count)]
    groups = groups_of(cases, most)
    assert sorted(c.site.id for group in groups for c in group) == sorted(c.site.id for c in cases)
    assert all(0 < len(group) <= most for group in groups)


def test_groups_lie_together() -> None:
    cases = [
        Case(placed(f"{town}{n}", latitude, 0.01 * n)) for n in range(5) for town, latitude in (("a", 50), ("b", 55))
    ]
    assert [{c.site.id[0] for c in group} for group in groups_of(cases, 5)] == [{"a"}, {"b"}]
