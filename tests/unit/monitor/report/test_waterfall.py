"""The waterfall adds up to the watt-hour whatever the days hold, and each step goes the way it should."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.detect.finding import Finding
from monitor.report.adding_up import Reckoning
from monitor.report.callback.waterfall import DayTerms, Waterfall, build_waterfall, without_nothing

DAY = date(2026, 6, 1)
CAUSES = (
    "failed_string", "shading_growth", "inverter_outage", "grid_voltage_trip", "soiling", "export_limiting",
    "underperforming_module",
)  # fmt: skip


def finding(name: str, cause: str, **other: Any) -> Finding:
    return Finding(
        **{
            "id": name, "site": "elmcote", "subject": "string:s1", "cause": cause, "level": "visit", "state": "open",
            "since": DAY, "raised": DAY, "cleared": None, "last_seen": DAY, "confidence": 0.9, "lost_kwh": 1.0,
            "lost_kwh_low": 1.0, "lost_kwh_high": 1.0, "lost_money": None, "summary": "", **other,
        }
    )  # fmt: skip


FINDINGS = {cause: finding(cause, cause) for cause in CAUSES} | {
    "note": finding("note", "clipping", level="note"), "white": finding("white", "snow", level="note"),
}  # fmt: skip
energies = st.integers(0, 60_000)


@st.composite
def terms(draw: st.DrawFn, quoted: bool) -> DayTerms:
    """A reckoned day as odd as days may be: more made than expected, losses larger than all of it."""
    found = draw(st.dictionaries(st.sampled_from(CAUSES), energies, max_size=4))
    notes = draw(st.dictionaries(st.sampled_from(["clipping", "snow"]), energies, max_size=2))
    expected, measured, gaps = draw(energies), draw(energies), draw(energies)
    unexplained = expected - measured - gaps - sum(found.values()) - sum(notes.values())
    reckoning = Reckoning(DAY, DAY, 1, expected, measured, found, notes, gaps, unexplained)
    return DayTerms(
        reckoning=reckoning, low=0.8 * expected, high=1.3 * expected,
        opened=expected * draw(st.floats(1.0, 1.4)), usual=draw(st.floats(0.0, 60_000.0)),
        quoted=draw(st.floats(0.0, 60_000.0)) if quoted else None, shown=draw(st.floats(0.0, 60_000.0)),
        beside=draw(st.floats(0.0, 60_000.0)),
        ranges={name: (wh / 1000.0, wh / 2000.0, wh / 500.0) for name, wh in found.items()},
    )  # fmt: skip


def adds_up(fall: Waterfall) -> bool:
    return fall.start + sum(step.wh for step in fall.steps) == fall.end and fall.totals()[-1] == fall.end


@given(st.booleans().flatmap(lambda quoted: st.lists(terms(quoted), min_size=1, max_size=8)))
def test_it_adds_up_to_the_watt_hour(days: list[DayTerms]) -> None:
    fall = build_waterfall(days, FINDINGS, usual_relative=0.05, split_relative=0.02)
    assert adds_up(fall)
    assert adds_up(without_nothing(fall))
    assert all(type(n) is int for step in fall.steps for n in (step.wh, step.low, step.high))
    assert all(step.low <= step.wh <= step.high for step in fall.steps)
    by_inverter = sum(day.reckoning.measured for day in days)
    assert fall.by_inverter == by_inverter
    assert fall.end - by_inverter == round(sum(d.shown for d in days)) - round(sum(d.beside for d in days))
    at_findings = dict(zip([s.key for s in fall.steps], fall.totals(), strict=True))["installed_shade"]
    assert at_findings == fall.expected


@pytest.mark.parametrize("seed", range(20))
def test_it_adds_up_over_a_year_of_losses(seed: int) -> None:
    rng = random.Random(seed)
    days = []
    for n in range(365):
        day, expected = DAY + timedelta(days=n), rng.randrange(0, 40_000)
        lost = {"failed_string": rng.randrange(0, 1 + expected // 2)} if n > 100 else {}
        measured = rng.randrange(0, 1 + expected)
        reckoning = Reckoning(day, day, 1, expected, measured, lost, {}, 0, expected - measured - sum(lost.values()))
        days.append(DayTerms(reckoning=reckoning, low=0.9 * expected, high=1.1 * expected, opened=1.01 * expected,
                             usual=rng.uniform(1, 40_000), quoted=rng.uniform(0, 20_000)))  # fmt: skip
    fall = build_waterfall(days, FINDINGS, usual_relative=0.05, split_relative=0.0)
    assert adds_up(fall)
    assert fall.start == round(sum(day.quoted or 0.0 for day in days))


def one_day(**changes: Any) -> DayTerms:
    reckoning = Reckoning(DAY, DAY, 1, 20_000, 15_000, {"failed_string": 4_000}, {"clipping": 500}, 0, 500)
    given = {
        "reckoning": reckoning, "low": 18_000.0, "high": 22_000.0, "opened": 21_000.0, "usual": 25_000.0,
        "quoted": 30_000.0, "shown": 14_700.0, "beside": 15_000.0,
        "ranges": {"failed_string": (8.0, 6.0, 10.0), "note": (0.5, 0.25, 1.0)},
    }  # fmt: skip
    return DayTerms(**{**given, **changes})


def steps(fall: Waterfall) -> dict[str, tuple[int, int, int]]:
    return {s.key: (s.wh, s.low, s.high) for s in fall.steps}


def test_each_step_by_hand() -> None:
    fall = build_waterfall([one_day()], FINDINGS, usual_relative=0.0, split_relative=0.0)
    found = steps(fall)
    assert fall.start == 30_000
    # The day allowed 20 of a usual 25 kWh, so of 30 quoted 24 are left; the open roof makes 21 of them.
    assert [found[key][0] for key in ("weather", "as_built", "installed_shade")] == [-6_000, -3_000, -1_000]
    # The string's finding told 8 kWh (6 to 10) of which 4 were still there to be lost.
    assert found["failed_string"] == (-4_000, -5_000, -3_000)
    assert found["clipping"] == (-500, -1_000, -250)
    assert found["meter"] == (-300, -300, -300)
    assert found["unexplained"][0] == -500
    assert fall.end == 14_700
    assert fall.by_inverter == 15_000


def test_without_a_quote_it_begins_with_what_the_weather_allowed() -> None:
    fall = build_waterfall([one_day(quoted=None)], FINDINGS, usual_relative=0.05, split_relative=0.0)
    assert not fall.starts_with_quote
    assert fall.start == 21_000
    assert not {"weather", "as_built"} & steps(fall).keys()


def test_faults_stand_before_outages_and_outages_before_limits() -> None:
    found = {"export_limiting": 100, "inverter_outage": 100, "failed_string": 100, "shading_growth": 100}
    reckoning = Reckoning(DAY, DAY, 1, 20_000, 19_500, found, {"snow": 50}, 0, 50)
    fall = build_waterfall([one_day(reckoning=reckoning)], FINDINGS, usual_relative=0.0, split_relative=0.0)
    told = [s.key for s in fall.steps]
    assert told == [
        "weather", "as_built", "installed_shade", "snow", "shading_growth", "failed_string", "inverter_outage",
        "export_limiting", "gaps", "meter", "unexplained",
    ]  # fmt: skip


def test_a_range_is_wider_where_the_usual_sky_is_less_known() -> None:
    sure, unsure = (
        steps(build_waterfall([one_day()], FINDINGS, usual_relative=sigma, split_relative=0.0)) for sigma in (0.0, 0.1)
    )
    assert unsure["weather"][1] < sure["weather"][1]
    assert unsure["as_built"][2] > sure["as_built"][2]
