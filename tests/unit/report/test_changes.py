"""What counts as news: new, back, worse, renamed; and what does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import pytest

from monitor.detect.finding import Finding
from monitor.report.changes import Growth, change_of, growth

SINCE = date(2026, 6, 1)
UNTIL = SINCE + timedelta(days=27)  # four weeks


def weeks(*shares: float, expected: float = 10.0) -> tuple[dict[date, tuple[float, float]], dict[date, float]]:
    """Losses (with nine tenths of them as their lower end) and expected energy, week by week."""
    days = [SINCE + timedelta(days=n) for n in range(7 * len(shares))]
    lost = {day: (share * expected, 0.9 * share * expected) for day, share in zip(days, _daily(shares), strict=True)}
    return lost, dict.fromkeys(days, expected)


def _daily(shares: tuple[float, ...]) -> list[float]:
    return [share for share in shares for _ in range(7)]


def test_nothing_known_before_is_new_and_the_same_is_no_news(make_finding: Callable[..., Finding]) -> None:
    finding = make_finding()
    assert change_of(finding, None).kind == "new"
    assert change_of(replace(finding, lost_kwh=40.0), finding).kind == "unchanged"


def test_what_came_back_is_told_again(make_finding: Callable[..., Finding]) -> None:
    over = make_finding(state="cleared", cleared=date(2026, 8, 20))
    assert change_of(make_finding(), over).kind == "again"
    assert change_of(over, make_finding()).kind == "cleared"


def test_a_raised_level_is_worse_and_a_lowered_one_is_not(make_finding: Callable[..., Finding]) -> None:
    watch, visit = make_finding(level="watch"), make_finding(level="visit")
    raised = change_of(visit, watch)
    assert (raised.kind, raised.why) == ("worse", "It is worse: now Visit, before Watch.")
    assert change_of(watch, visit).kind == "unchanged"


def test_another_cause_is_told_with_the_one_before(make_finding: Callable[..., Finding]) -> None:
    now = make_finding(cause="underperforming_string", level="urgent")
    changed = change_of(now, make_finding())
    assert (changed.kind, changed.why) == ("renamed", "It was told before as: String makes nothing.")


def test_growth_is_told_once(make_finding: Callable[..., Finding]) -> None:
    grown = Growth(share=0.21, low=0.19, before=0.12)
    change = change_of(make_finding(), make_finding(), grown=grown)
    assert change.kind == "worse"
    assert change.why == (
        "It is worse: the last seven days lost 21% of what was expected, no week before more than 12%."
    )
    assert change_of(make_finding(), make_finding(), grown=grown, had_grown=grown).kind == "unchanged"


@pytest.mark.parametrize(
    ("shares", "worse"),
    [
        ((0.1, 0.1, 0.1, 0.1), False),
        ((0.1, 0.1, 0.1, 0.13), False),  # within a quarter and its own range
        ((0.1, 0.1, 0.1, 0.15), True),
        ((0.1, 0.15, 0.1, 0.15), False),  # as bad a week has been before
    ],
)
def test_worse_is_a_week_above_every_week_before_by_a_quarter(shares: tuple[float, ...], worse: bool) -> None:
    lost, expected = weeks(*shares)
    assert (growth(lost, expected, since=SINCE, until=UNTIL) is not None) is worse


def test_a_bright_week_is_not_a_worse_one() -> None:
    lost, expected = weeks(0.1, 0.1, 0.1, 0.1)
    for n in range(21, 28):
        day = SINCE + timedelta(days=n)
        lost[day], expected[day] = (3.0, 2.7), 30.0
    assert growth(lost, expected, since=SINCE, until=UNTIL) is None


def test_a_loss_that_its_range_explains_and_one_of_nothing_are_not_worse() -> None:
    lost, expected = weeks(0.1, 0.1, 0.1, 0.15)
    vague = {day: (kwh, 0.0) for day, (kwh, _) in lost.items()}
    assert growth(vague, expected, since=SINCE, until=UNTIL) is None
    tiny, due = weeks(0.1, 0.1, 0.1, 0.15, expected=1.0)
    assert growth(tiny, due, since=SINCE, until=UNTIL) is None


def test_a_trouble_of_its_first_week_has_nothing_to_be_worse_than() -> None:
    lost, expected = weeks(0.3)
    assert growth(lost, expected, since=SINCE, until=SINCE + timedelta(days=6)) is None


def test_weeks_without_readings_are_no_yardstick() -> None:
    lost, expected = weeks(0.1, 0.1, 0.1, 0.15)
    silent = {day: kwh for day, kwh in expected.items() if day >= SINCE + timedelta(days=21)}
    assert growth(lost, silent, since=SINCE, until=UNTIL) is None
