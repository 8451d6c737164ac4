"""The service digest's order, pictures and lines."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.report.digest import DailyEnergy
from monitor.report.service import (
    chart_days,
    chart_subject,
    finding_card,
    finding_chart,
    ranked,
    sibling_line,
    sibling_of,
)


def test_urgent_first_then_by_what_it_costs(make_finding: Callable[..., Finding]) -> None:
    given = [
        make_finding(id="watch", level="watch", lost_kwh=900.0),
        make_finding(id="small", level="urgent", lost_kwh=1.0),
        make_finding(id="visit", level="visit", lost_kwh=50.0),
        make_finding(id="large", level="urgent", lost_kwh=30.0),
    ]
    assert [f.id for f in ranked(given, {})] == ["large", "small", "visit", "watch"]


@pytest.mark.parametrize(
    ("since", "first"), [(date(2026, 8, 3), date(2026, 6, 29)), (date(2026, 2, 1), date(2026, 6, 3))]
)
def test_a_picture_spans_five_weeks_before_and_at_most_ninety_days(
    make_finding: Callable[..., Finding], since: date, first: date
) -> None:
    days = chart_days(make_finding(since=since), date(2026, 8, 31))
    assert days == (first, date(2026, 8, 31))
    assert (days[1] - days[0]).days < 90


@pytest.mark.parametrize("cause", ["missing_data", "clock_error", "meter_disagreement"])
def test_no_picture_where_it_proves_nothing(make_finding: Callable[..., Finding], cause: str) -> None:
    assert chart_subject(make_finding(subject="site", cause=cause)) is None
    assert chart_subject(make_finding(subject="site", cause="soiling")) == "site"


def test_no_picture_without_a_day_to_compare(
    make_finding: Callable[..., Finding], make_daily: Callable[..., DailyEnergy]
) -> None:
    assert finding_chart(make_finding(), make_daily(date(2026, 8, 1), [float("nan")] * 5), None) is None


def test_a_mended_fault_is_hatched_only_while_it_lasted(
    make_finding: Callable[..., Finding], make_daily: Callable[..., DailyEnergy]
) -> None:
    mended = make_finding(state="cleared", cleared=date(2026, 8, 12), last_seen=date(2026, 8, 9))
    chart = finding_chart(mended, make_daily(date(2026, 8, 1), [10.0] * 14), None)
    assert chart is not None
    assert chart.until == date(2026, 8, 9)


def test_sibling_is_of_the_same_plane_and_brought_to_size(
    make_site: Callable[..., Site], make_finding: Callable[..., Finding], make_daily: Callable[..., DailyEnergy]
) -> None:
    site, daily = make_site(), make_daily(date(2026, 8, 1), [8.0])
    assert sibling_of(site, make_finding(subject="string:s1")) == "s2"
    assert sibling_of(site, make_finding(subject="inverter:inv1", cause="inverter_outage")) is None
    small = make_finding(subject="string:s3")
    line = sibling_line(site, small, "s1", daily)
    assert (line.label, line.measured) == ("string s1, scaled to this size", (4.0,))


def test_a_card_says_how_much_was_made_before_and_since(
    make_site: Callable[..., Site], make_finding: Callable[..., Finding], make_daily: Callable[..., DailyEnergy]
) -> None:
    finding = make_finding()
    chart = finding_chart(finding, make_daily(date(2026, 7, 27), [9.0] * 7 + [2.0] * 5), None)
    card = finding_card(finding, make_site(), since_last=date(2026, 8, 5), chart=chart)
    assert card.share_before == pytest.approx(0.9)
    assert card.share_since == pytest.approx(0.2)
    assert (card.subject, card.cause, card.is_new) == ("string s1 on inverter inv1", "String makes nothing", False)
    assert finding_card(finding, make_site(), since_last=date(2026, 8, 4)).is_new
