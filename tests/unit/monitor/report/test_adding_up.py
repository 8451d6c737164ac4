"""Losses add up to the watt-hour, nothing twice, nothing more than was expected."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.report.adding_up import Reckoning, reckon_day, sum_up
from monitor.store.daily import DailyRow

DAY = date(2026, 6, 1)


def finding(name: str, subject: str, cause: str, **other: Any) -> Finding:
    return Finding(
        **{
            "id": name, "site": "elmcote", "subject": subject, "cause": cause, "level": "visit", "state": "open",
            "since": DAY, "raised": DAY, "cleared": None, "last_seen": DAY, "confidence": 0.9, "lost_kwh": 1.0,
            "lost_kwh_low": 1.0, "lost_kwh_high": 1.0, "lost_money": None, "summary": "", **other,
        }
    )  # fmt: skip


def row(subject: str, expected: float, measured: float | None, usable: float = 1.0) -> DailyRow:
    return DailyRow(
        site="elmcote", subject=subject, day=DAY, expected_kwh=expected, measured_kwh=measured, usable=usable
    )


def day(site: Site, measured: float | None, *lost: tuple[Finding, float], usable: float = 1.0) -> Reckoning:
    rows = [row("inverter:inv1", 38.0, measured, usable), row("string:s1", 20.0, 20.0), row("string:s2", 20.0, 20.0)]
    found = reckon_day(site, DAY, rows, lost)
    assert found is not None
    return found


def adds_up(r: Reckoning) -> bool:
    parts = r.measured + sum(r.findings.values()) + sum(r.notes.values()) + r.gaps + r.unexplained
    return r.expected == parts


def test_a_dead_string_loses_what_its_inverter_would_have_made_of_it(site: Site) -> None:
    found = day(site, 19.0, (finding("a", "string:s1", "failed_string"), 19.0))
    assert (found.findings, found.unexplained, found.gaps, found.left_out) == ({"a": 19_000}, 0, 0, 0)


def test_an_outage_takes_all_and_a_weak_string_below_it_nothing(site: Site) -> None:
    out, weak = finding("a", "inverter:inv1", "inverter_outage"), finding("b", "string:s1", "underperforming_string")
    found = day(site, 0.0, (weak, 2.0), (out, 38.0))
    assert found.findings == {"a": 38_000, "b": 0}
    assert found.left_out == 2_000
    assert found.unexplained == 0


def test_two_findings_on_one_string_share_what_is_left(site: Site) -> None:
    weak, shade = finding("a", "string:s1", "underperforming_string"), finding("b", "string:s1", "shading_growth")
    found = day(site, 30.0, (weak, 9.5), (shade, 9.5))
    assert sum(found.findings.values()) == pytest.approx(19_000 * 0.75, abs=1)
    assert found.left_out == pytest.approx(19_000 * 0.25, abs=1)


def test_a_gap_is_no_loss_and_an_outage_seen_by_a_meter_is_no_gap(site: Site) -> None:
    half = day(site, 19.0, usable=0.5)
    assert (half.gaps, half.unexplained) == (19_000, 0)
    silent = day(site, None, (finding("a", "inverter:inv1", "inverter_outage"), 38.0), usable=0.0)
    assert (silent.gaps, silent.findings, silent.unexplained) == (0, {"a": 38_000}, 0)
    by_register = day(site, 38.0, usable=0.5)
    assert (by_register.gaps, by_register.unexplained) == (0, 0)


def test_more_than_expected_is_told_with_its_sign(site: Site) -> None:
    assert day(site, 40.0).unexplained == -2_000


def test_clipping_at_the_rating_was_never_expected_and_an_export_limit_was(site: Site) -> None:
    at_rating = finding("a", "inverter:inv1", "clipping", level="note", evidence={"level_w": 3600, "rated_ac_w": 3600})
    found = day(site, 38.0, (at_rating, 3.0))
    assert (found.notes, found.beyond_expected, found.unexplained) == ({"clipping": 0}, 3_000, 0)
    found = day(site, 30.0, (finding("b", "site", "export_limiting", level="note"), 8.0))
    assert (found.notes, found.unexplained, found.findings) == ({"export_limiting": 8_000}, 0, {})


def test_what_is_called_no_fault_is_left_to_the_unexplained(site: Site) -> None:
    called = finding(
        "a", "string:s1", "underperforming_string", evidence={"verdict": {"said": "not-a-fault", "on": "2026-06-01"}}
    )
    found = day(site, 36.0, (called, 2.0))
    assert (found.findings, found.unexplained) == ({}, 2_000)


CAUSES = {
    "site": ("soiling", "snow", "export_limiting", "missing_data"),
    "inverter:inv1": ("inverter_outage", "clipping", "grid_voltage_trip"),
    "string:s1": ("failed_string", "underperforming_string", "shading_growth"),
    "string:s2": ("failed_string", "shading_growth"),
    "meter:gen1": ("meter_disagreement",),
}


@pytest.mark.parametrize("seed", range(40))
def test_whatever_is_told_the_parts_add_up_and_nothing_is_lost_twice(site: Site, seed: int) -> None:
    chance = random.Random(seed)
    days = []
    for n in range(60):
        lost = [
            (finding(f"{subject}{cause}", subject, cause), chance.choice([0.0, 1.0, 50.0]) * chance.random())
            for subject, causes in CAUSES.items()
            for cause in causes
            if chance.random() < 0.4
        ]
        expected = chance.choice([0.0, 0.1234567, 38.7654321])
        measured = chance.choice([None, 0.0, expected * chance.random() * 1.2])
        strings = [row(f"string:{s}", 0.52 * expected, None) for s in ("s1", "s2") if chance.random() < 0.7]
        rows = [row("inverter:inv1", expected, measured, chance.choice([0.0, 0.37, 1.0])), *strings]
        found = reckon_day(site, DAY + timedelta(n), rows, lost)
        assert found is not None
        assert adds_up(found)
        known = sum(found.findings.values()) + sum(found.notes.values())
        assert known + found.gaps <= found.expected + len(lost) + 1  # each is rounded for itself
        assert min([*found.findings.values(), *found.notes.values(), found.gaps, found.left_out], default=0) >= 0
        days.append(found)
    months = sum_up(days, "month")
    assert [m.days for m in months] == [30, 30]
    assert all(adds_up(m) for m in months)
    assert sum(m.unexplained for m in months) == sum(d.unexplained for d in days)
    assert sum_up(days, "day") == days


def test_a_day_of_which_nothing_is_expected_is_no_day(site: Site) -> None:
    assert reckon_day(site, DAY, [replace(row("inverter:inv1", 1.0, 1.0), expected_kwh=None)], []) is None
