"""The verdict names what takes most, and says so where it cannot tell."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.report.callback.verdict import judge
from monitor.report.callback.waterfall import Group, Step, Waterfall
from tests.unit.monitor.report.test_waterfall import FINDINGS, finding

KEYS: dict[Group, str] = {
    "weather": "weather", "quote": "as_built", "shade": "installed_shade", "fault": "failed_string",
    "limits": "clipping", "gaps": "gaps", "meter": "meter", "unexplained": "unexplained",
}  # fmt: skip


def fall(doubt: float = 100.0, days: int = 120, **taken: int) -> Waterfall:
    steps = tuple(
        Step(key=KEYS[group], group=group, wh=-wh, low=-wh - 50, high=-wh + 50,
             findings=("failed_string",) if group == "fault" else ())
        for group, wh in taken.items()
    )  # type: ignore[misc]  # fmt: skip
    end = 10_000 - sum(taken.values())
    return Waterfall(
        start=10_000, starts_with_quote=True, steps=steps, expected=9_000, by_inverter=end, end=end, days=days,
        weather_sigma=doubt, usual_sigma=doubt,
    )  # fmt: skip


def verdict(waterfall: Waterfall, **other: Any) -> Any:
    return judge(waterfall, FINDINGS, **{"covered": 1.0, "is_guess": False, **other})


@pytest.mark.parametrize("group", ["weather", "quote", "shade", "fault", "limits", "meter"])
def test_the_group_that_takes_most_is_named(group: str) -> None:
    others = {g: 100 for g in ("weather", "quote", "fault", "unexplained") if g != group}
    found = verdict(fall(**{group: 3_000}, **others))
    assert found.kind == group
    assert found.certainty > 0.85
    assert sum(found.chances.values()) == pytest.approx(1.0)


def test_a_roof_that_makes_what_was_quoted_is_not_the_trouble_but_its_fault_is_told() -> None:
    found = verdict(fall(weather=-500, fault=400))
    assert (found.kind, found.second) == ("use", "fault")
    assert found.short == pytest.approx(-0.01)


def test_what_nothing_explains_cannot_be_told() -> None:
    found = verdict(fall(unexplained=3_000, fault=500))
    assert found.kind == "cannot_tell"
    assert "not explained by anything" in found.why_not


def test_a_finding_counts_only_as_often_as_it_is_right() -> None:
    known = {"failed_string": finding("failed_string", "failed_string", confidence=0.3)}
    found = judge(fall(fault=3_000), known, covered=1.0, is_guess=False)
    assert found.kind == "cannot_tell"
    assert found.chances["fault"] == pytest.approx(0.3, abs=0.05)
    assert found.chances["unexplained"] == pytest.approx(0.7, abs=0.05)


def test_too_few_days_conclude_nothing() -> None:
    assert verdict(fall(fault=3_000), covered=0.5).why_not == "too few of its days have figures"
    assert verdict(fall(fault=3_000, days=5)).kind == "cannot_tell"


def test_a_guessed_sky_is_no_verdict_on_the_weather() -> None:
    found = verdict(fall(weather=3_000), is_guess=True)
    assert found.kind == "cannot_tell"
    assert "nobody saw the sky" in found.why_not
    assert verdict(fall(fault=3_000), is_guess=True).kind == "fault"


def test_a_wide_doubt_of_the_weather_lowers_the_certainty() -> None:
    sure, unsure = (verdict(fall(doubt=doubt, weather=1_500, quote=800)) for doubt in (50.0, 900.0))
    assert unsure.certainty < sure.certainty


def test_a_second_cause_stands_beside_the_first() -> None:
    assert verdict(fall(weather=2_000, quote=1_200)).second == "quote"
    assert verdict(fall(weather=2_000, quote=500)).second is None
