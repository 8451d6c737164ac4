"""What is certain while the site file is doubted, and what is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from monitor.detect.finding import Finding
from monitor.detect.life import advance
from monitor.detect.night import Verdict
from monitor.detect.on_paper import hedged
from monitor.detect.words import summary
from monitor.model.history import SiteHistory
from tests.unit.monitor.detect.limited import clear_day, home, night_of

SITE = home()
NIGHT = night_of(SITE, clear_day(SITE))
DOUBTED = replace(NIGHT, past=SiteHistory(doubted=frozenset({"south"})))


def weak(trait: str) -> Verdict:
    return Verdict("string:s1", "underperforming_string", "trouble", 0.9, evidence={"trait": trait})


@pytest.mark.parametrize(
    "verdict",
    [Verdict("string:s1", "shading_growth", "trouble", 0.9), Verdict("site", "soiling", "trouble", 0.9),
     Verdict("inverter:inv1", "grid_voltage_trip", "trouble", 0.85), weak("clear")],
)  # fmt: skip
def test_what_rests_on_where_a_doubted_plane_lies_is_not_certain(verdict: Verdict) -> None:
    (said,) = hedged(DOUBTED, [verdict])
    assert (said.confidence, said.others["site_file"]) == (0.5, 0.5)
    assert hedged(NIGHT, [verdict]) == [verdict]


@pytest.mark.parametrize(
    "verdict",
    [Verdict("string:s1", "failed_string", "trouble", 0.99), weak("peer_mid"), weak("volt"),
     Verdict("string:s1", "shading_growth", "healthy")],
)  # fmt: skip
def test_what_strings_of_the_plane_tell_of_each_other_stays_certain(verdict: Verdict) -> None:
    assert hedged(DOUBTED, [verdict]) == [verdict]


def test_what_was_certain_before_the_doubt_is_so_no_longer() -> None:
    verdict = Verdict("site", "soiling", "trouble", 0.9, evidence={"loss_fraction": 0.2, "trait": "clear"})
    (raised,) = advance(NIGHT, [verdict], [], suspected=lambda *_: (), raised=NIGHT.day)
    assert raised.finding.confidence == 0.9
    (seen,) = advance(
        DOUBTED, hedged(DOUBTED, [verdict]), [raised.finding], suspected=lambda *_: (), raised=NIGHT.day
    )  # fmt: skip
    assert (seen.finding.id, seen.finding.confidence) == (raised.finding.id, 0.5)


def test_the_reader_is_told_that_the_site_file_may_be_wrong() -> None:
    finding = Finding(
        id="f1", site=SITE.id, subject="string:s1", cause="underperforming_string", level="watch", state="open",
        since=date(2026, 3, 1), raised=date(2026, 4, 1), cleared=None, last_seen=date(2026, 4, 1), confidence=0.5,
        lost_kwh=90.0, lost_kwh_low=0.0, lost_kwh_high=110.0, lost_money=None, summary="",
        evidence={"loss_fraction": 0.2, "shape": "from_the_start", "like_modules": 8.0, "modules": 10,
                  "from_the_first_day": True,
                  "other_causes": {"site_file": 0.4, "shading_growth": 0.1}},
    )  # fmt: skip
    assert summary(SITE, finding) == (
        "String s1 on inverter inv1 makes 20% less for its nameplate than the others of its plane from the first day "
        "on, as if it had 8 modules instead of 10; about 90 kWh (0 to 110) not made, unless the site file is wrong. "
        "The cause is not certain: a weak string (50%) or a site file that is wrong (40%)."
    )
