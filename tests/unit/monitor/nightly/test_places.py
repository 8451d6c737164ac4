"""Places on paper: which middles and lengths of days make a site file doubtful."""

from __future__ import annotations

from datetime import date

from monitor.nightly.doubts import doubts_of, is_of_a_unit
from monitor.nightly.places import PLACE, place_doubts
from monitor.store.baselines import Baseline
from tests.unit.monitor.conftest import made_site

DAY = date(2026, 6, 1)


def looked(site: str, late_min: float, north_deg: float | None, *, days: int = 150, epoch: int = 0) -> Baseline:
    values = {"late_min": late_min, "north_deg": north_deg, "days": days}
    return Baseline(site=site, subject=PLACE, epoch=epoch, learned_from=DAY, learned_until=DAY, values=values)


def test_days_that_are_late_all_along_doubt_longitude_and_clock() -> None:
    assert place_doubts([made_site()], [looked("elmcote", 40.0, 2.0)]) == [
        "elmcote: the middle of its days is 40 minutes late by the sun of longitude -1.3, as 10 degrees farther west: "
        "check the longitude and its sign, and zone and clock of the log"
    ]
    assert "18 minutes early" in place_doubts([made_site()], [looked("elmcote", -18.0, None)])[0]
    assert place_doubts([made_site()], [looked("elmcote", 10.0, 2.0)]) == []  # one side of a roof in the shade


def test_the_newest_look_counts_and_belongs_to_no_unit() -> None:
    looks = [looked("elmcote", 40.0, None), looked("elmcote", 1.0, 2.0, epoch=1)]
    assert doubts_of([made_site()], looks) == []
    assert not is_of_a_unit(looks[0])


def test_a_latitude_is_held_to_the_fleet_whose_error_of_the_model_it_shares() -> None:
    sites = [made_site(site=made_site().site.model_dump() | {"id": f"roof{n}"}) for n in range(6)]
    looks = [looked(s.id, 0.0, 2.5 + 0.3 * (n % 3)) for n, s in enumerate(sites)]
    assert place_doubts(sites, looks) == []
    looks[0] = looked("roof0", 0.0, -3.0)
    assert place_doubts(sites, looks) == [
        "roof0: its days turn with the year as those of a place some degrees farther south do: check the latitude"
    ]
    looks[0] = looked("roof0", 0.0, -3.0, days=90)  # too early to say
    assert place_doubts(sites, looks) == []
