"""Verdicts counted by cause, and the interval of a share of few cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from monitor.detect.finding import Finding
from monitor.detect.track_record import track_records, wilson
from tests.unit.monitor.detect.test_ruling import DAY, ruling


@pytest.mark.parametrize(
    ("hits", "cases", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (score without continuity correction)
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval(hits: int, cases: int, low: float, high: float) -> None:
    found = wilson(hits, cases)
    assert found.share == hits / cases
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def finding(name: str, cause: str = "underperforming_string") -> Finding:
    return Finding(
        id=name, site="larkrise", subject="string:s1", cause=cause, level="visit", state="open", since=DAY, raised=DAY,
        cleared=None, last_seen=DAY, confidence=0.9, lost_kwh=0.0, lost_kwh_low=0.0, lost_kwh_high=0.0,
        lost_money=None, summary="",
    )  # fmt: skip


def test_the_last_verdict_on_a_finding_counts_even_when_a_replay_has_lost_the_finding() -> None:
    given = [
        replace(ruling(DAY, "confirmed"), finding_id="a"),
        replace(ruling(DAY + timedelta(3), "repaired"), finding_id="a"),
        replace(ruling(DAY, "not-a-fault"), finding_id="lost"),
    ]
    (other, record) = track_records([finding("a"), finding("b"), finding("c", "clock_error")], given)
    assert (other.cause, other.raised, other.false_share) == ("clock_error", 1, None)
    assert (record.raised, record.confirmed, record.repaired, record.no_fault) == (3, 0, 1, 1)
    assert record.false_share is not None
    assert record.false_share.share == 0.5


def test_nothing_found_is_no_record() -> None:
    assert track_records([], []) == []
