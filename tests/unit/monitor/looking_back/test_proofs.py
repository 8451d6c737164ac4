"""Data of proof pictures: the witness that a loss was told by, held against its own days before."""

from __future__ import annotations

import math
from datetime import date, timedelta

import pytest

from monitor.config.models import Site
from monitor.looking_back.proofs import by_witness
from monitor.model.history import DayNote, SiteHistory
from monitor.report.proof.ratio import DailyRatio
from tests.unit.monitor.report.test_waterfall import finding

SINCE = date(2026, 5, 1)
LAST = date(2026, 6, 15)


def history(subject: str, before_days: int = 40) -> SiteHistory:
    """A trait that stood at -0.02 with a little scatter, and a tenth lower since May."""
    found = SiteHistory()
    for n in range(-before_days, 40):
        day = SINCE + timedelta(days=n)
        value = -0.02 + (0.004 if n % 2 else -0.004) - (0.1 if n >= 0 else 0.0)
        found.add([DayNote(day, subject, 10.0, 9.0, 11.0, 1.0, {"peer_mid": value})])
    return found


def test_the_witness_is_held_against_its_own_days_before(site: Site) -> None:
    weak = finding("a", "underperforming_string", since=SINCE, last_seen=LAST, evidence={"trait": "peer_mid"})
    proof = by_witness(site, history("string:s1"), weak, LAST)
    assert proof is not None
    data, alt = proof
    assert isinstance(data, DailyRatio)
    assert data.held_against == "its level before, by power of a sibling"
    ratio = dict(zip(data.days, data.ratio, strict=True))
    assert ratio[SINCE - timedelta(days=2)] == pytest.approx(1.0, abs=0.006)
    assert ratio[SINCE + timedelta(days=3)] == pytest.approx(math.exp(-0.1), abs=0.006)
    assert math.isnan(ratio[LAST])  # the last days told nothing
    assert (data.low[0], data.high[0]) == pytest.approx((0.996, 1.004), abs=0.005)
    assert alt == (
        "String s1 on inverter inv1 day by day beside power of a sibling, over its middle before: at 90% since "
        "1 May 2026."
    )


def test_there_is_none_without_a_witness_or_days_before(site: Site) -> None:
    untold = finding("a", "failed_string", since=SINCE, last_seen=LAST)
    assert by_witness(site, history("string:s1"), untold, LAST) is None
    young = finding("b", "underperforming_string", since=SINCE, last_seen=LAST, evidence={"trait": "peer_mid"})
    assert by_witness(site, history("string:s1", before_days=3), young, LAST) is None
