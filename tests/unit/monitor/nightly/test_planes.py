"""What of a site's days its planes are fitted to, and what several strings of one plane say together."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from monitor.detect.finding import Finding
from monitor.model.orientation import OrientationFit
from monitor.nightly.planes import combined, healthy_days
from monitor.store.daily import DailyRow
from tests.unit.monitor.conftest import made_site

JUNE = date(2025, 6, 1)
FIT = OrientationFit(30.0, 170.0, 2.0, 4.0, 1.0, 20, 400, 0.01, 30.0, 0.0, True, "")


def test_surer_strings_count_more_and_north_is_no_seam() -> None:
    surer = replace(FIT, tilt_deg=36.0, azimuth_deg=355.0, tilt_sigma=1.0, azimuth_sigma=2.0)
    both = combined([replace(FIT, azimuth_deg=5.0), surer])
    assert both.tilt_deg == pytest.approx(34.8, abs=0.3)
    assert both.azimuth_deg == pytest.approx(357.0, abs=0.1)
    assert (both.tilt_sigma, both.azimuth_sigma) == (1.0, 2.0)
    assert both.trusted


def test_strings_without_an_answer_are_not_heard() -> None:
    silent = replace(FIT, azimuth_deg=float("nan"), days=90, trusted=False, why_not="3 clear days do not tell")
    assert combined([silent, FIT]).azimuth_deg == pytest.approx(FIT.azimuth_deg)
    assert combined([silent]).why_not == "3 clear days do not tell"


def test_a_doubtful_clock_of_one_string_leaves_the_plane_alone() -> None:
    doubted = replace(FIT, clock_doubt_s=3600.0, trusted=False, why_not="a clock 60 minutes wrong")
    assert not combined([FIT, doubted]).trusted


def test_strings_that_look_differently_placed_are_not_averaged() -> None:
    both = combined([FIT, replace(FIT, azimuth_deg=250.0)])
    assert (both.trusted, both.why_not) == (False, "the strings of the plane look differently placed")


def test_days_of_findings_and_without_belief_are_left_out() -> None:
    site = made_site()
    kinds: list[dict[str, float | None]] = [
        {"clearness": 0.5},
        {},
        {"clearness": 0.5, "unit:power": 1e-3},
        {"clearness": 0.9},
    ]
    rows = [
        DailyRow(site=site.id, subject=s, day=JUNE + timedelta(days=n), features=f)
        for s in ("inverter:inv1", "string:s1", "string:s2", "meter:gen1")
        for n, f in enumerate(kinds)
    ]
    first, last = JUNE, JUNE + timedelta(days=3)
    units = ("inverter:inv1", "string:s1", "string:s2")
    assert healthy_days(site, rows, []) == dict.fromkeys(units, {first, last})
    of_string = healthy_days(site, rows, [trouble("string:s1", last)])
    assert of_string == {"inverter:inv1": {first}, "string:s1": {first}, "string:s2": {first, last}}
    assert healthy_days(site, rows, [trouble("inverter:inv1", last)]) == dict.fromkeys(units, {first})


def trouble(subject: str, day: date) -> Finding:
    """A finding of one day."""
    return Finding(
        id="f1", site="elmcote", subject=subject, cause="failed_string", level="visit", state="open", since=day,
        raised=day, cleared=None, last_seen=day, confidence=0.9, lost_kwh=1.0, lost_kwh_low=0.5, lost_kwh_high=2.0,
        lost_money=None, summary="", evidence={}, advice={},
    )  # fmt: skip
