"""Doubts about site files: which of several looks at a plane counts, and what is no plane."""

from __future__ import annotations

from datetime import date

from monitor.nightly.doubts import doubted_after, doubts_of, is_of_a_plane
from monitor.store.baselines import Baseline
from tests.unit.monitor.conftest import made_site

DAY = date(2026, 6, 1)


def looked(subject: str, epoch: int, doubt: str | None, site: str = "elmcote") -> Baseline:
    return Baseline(
        site=site, subject=subject, epoch=epoch, learned_from=DAY, learned_until=DAY, values={"doubt": doubt}
    )


def test_the_newest_look_at_a_plane_counts() -> None:
    looks = [looked("plane:south", 0, "the site file says azimuth 180"), looked("plane:south", 1, None)]
    assert doubts_of([], looks[:1]) == ["elmcote: plane south: the site file says azimuth 180"]
    assert doubts_of([], looks) == []
    assert doubted_after(frozenset({"west"}), looks[:1]) == {"south", "west"}
    assert doubted_after(frozenset({"south", "west"}), looks) == {"west"}


def test_planes_of_one_name_at_two_homes_are_two() -> None:
    looks = [looked("plane:south", 0, "steep", "ashcote"), looked("plane:south", 0, None, "elmcote")]
    assert doubts_of([made_site()], looks) == ["ashcote: plane south: steep"]


def test_units_are_no_planes() -> None:
    assert not is_of_a_plane(looked("string:s1", 0, None))
    assert doubts_of([], [looked("string:s1", 0, "nothing of a plane")]) == []
