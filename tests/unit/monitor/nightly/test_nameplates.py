"""Nameplates on paper: which levels of new strings and roofs make a site file doubtful, and which do not."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pytest

from monitor.config.models import Site
from monitor.nightly.nameplates import nameplate_doubts
from monitor.store.baselines import Baseline
from tests.unit.monitor.conftest import MODULE, made_site

DAY = date(2026, 4, 1)


def learned(site: str, levels: Mapping[str, float], epoch: int = 0) -> list[Baseline]:
    return [
        Baseline(
            site=site, subject=subject, epoch=epoch, frozen_on=DAY, learned_from=DAY, learned_until=DAY,
            values={"clear_sky": level, "sensor": level, "weather": level, "sigma": 0.03},
        )
        for subject, level in levels.items()
    ]  # fmt: skip


def doubts(site: Site, s1: float, s2: float) -> list[str]:
    return nameplate_doubts([site], learned(site.id, {"string:s1": s1, "string:s2": s2}), set())


def unlike(first: int, second: int) -> Site:
    """A home with strings of so many modules on one plane."""
    return made_site(
        string=[
            {"id": s, "inverter": "inv1", "plane": "south", "modules": n, "module": MODULE}
            for s, n in (("s1", first), ("s2", second))
        ]
    )


@pytest.mark.parametrize("level", [0.85, 1.0, 1.2])  # of haze and of the model: both strings share it
def test_a_string_two_modules_short_is_told_at_any_level_of_the_sky(level: float) -> None:
    assert doubts(made_site(), 0.8 * level, level) == [
        "elmcote: string s1: for its nameplate it has given 20% less than string s2 on the same plane from its first "
        "weeks on, as if it had 8 modules instead of 10 (or s2 12 modules instead of 10): check the module counts, or "
        "what has been wrong or in the way since the first day"
    ]


def test_strings_that_differ_as_sound_ones_do_are_not_doubted() -> None:
    assert doubts(made_site(), 0.93, 1.0) == []


def test_exchanged_columns_are_named_where_they_would_explain_it() -> None:
    # Ten modules on paper give what eight do, and eight what ten do.
    (said,) = doubts(unlike(10, 8), 0.8, 1.25)
    assert "or as if their columns were exchanged" in said
    (said,) = doubts(unlike(10, 8), 0.8, 1.0)
    assert "columns" not in said


def test_what_a_string_did_when_it_was_new_counts() -> None:
    site = made_site()
    first = learned(site.id, {"string:s1": 1.0, "string:s2": 1.0})
    later = learned(site.id, {"string:s1": 0.8}, epoch=1)
    assert nameplate_doubts([site], [*first, *later], set()) == []


def fleet(odd: float, count: int = 6) -> tuple[list[Site], list[Baseline]]:
    """Roofs at 1.1 of the model, but for the first one."""
    sites = [made_site(site=made_site().site.model_dump() | {"id": f"roof{n}"}) for n in range(count)]
    levels = [odd, *(1.1 + 0.02 * (n % 3 - 1) for n in range(1, count))]
    told = [
        one
        for site, level in zip(sites, levels, strict=True)
        for one in learned(site.id, {"string:s1": level, "string:s2": level, "inverter:inv1": level})
    ]
    return sites, told


def test_a_roof_with_all_counts_wrong_is_told_beside_the_fleet() -> None:
    sites, told = fleet(0.92)  # ten modules of twelve
    assert nameplate_doubts(sites, told, set()) == [
        "roof0: for its nameplates it has given 16% less than the other roofs of the fleet from its first weeks on: "
        "check module counts and power, or what has been wrong or in the way since the first day"
    ]


def test_a_roof_whose_plane_is_doubted_or_that_stands_alone_is_not_held_to_its_level() -> None:
    sites, told = fleet(0.92)
    assert nameplate_doubts(sites, told, {"roof0"}) == []
    assert nameplate_doubts(sites[:1], told[:3], set()) == []
    assert nameplate_doubts(sites, fleet(1.05)[1], set()) == []
