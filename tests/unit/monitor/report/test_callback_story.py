"""The two sentences: what they say of each kind of verdict."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from monitor.model.gain import NAMEPLATE
from monitor.model.typical_year import UsualSky
from monitor.report.callback.pack import HouseLine, MeterLine, Pack
from monitor.report.callback.story import headline, verdict_sentences
from monitor.report.callback.verdict import GROUPS, Verdict
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.report.test_callback_verdict import fall
from tests.unit.monitor.report.test_waterfall import finding

EVEN = dict.fromkeys(GROUPS, 1.0 / len(GROUPS))


def pack(kind: str, taken: dict[str, int], **changes: Any) -> Pack:
    site = made_site(site=made_site().site.model_dump(mode="json") | {"quoted_kwh_per_year": 100.0})
    waterfall = fall(**taken)
    short = (waterfall.start - waterfall.end) / waterfall.start
    told = Verdict(kind=kind, certainty=0.8, chances=EVEN, short=short, **changes.pop("verdict", {}))  # type: ignore[arg-type]
    dead = finding("failed_string", "failed_string", summary="String s1 has made nothing; about 3 kWh not made.")
    given: dict[str, Any] = {
        "fleet": "Testing Roofs", "site": site, "asked": (date(2026, 1, 1), date(2026, 4, 30)),
        "assessed_until": date(2026, 4, 30), "days_asked": 120, "days": 120, "waterfall": waterfall, "verdict": told,
        "findings": (dead,), "months": (), "usual": UsualSky(0.6, 0.03), "year_on_paper": 90.0, "split_relative": 0.0,
        "gains": {"inverter:inv1": NAMEPLATE}, "sources": {}, "units": (), "modules": (), "meters": (), "house": None,
        "handover": (), "limits": (), "proofs": (), "rows": (),
    }  # fmt: skip
    return Pack(**{**given, **changes})


def test_the_first_sentence_is_the_fact() -> None:
    fact, _ = verdict_sentences(pack("fault", {"fault": 3_000}))
    assert fact == (
        "From 1 Jan 2026 to 30 Apr 2026 the roof made 7.0 kWh, 3.0 kWh (30%) less than what was quoted for them: "
        "10.0 kWh."
    )
    metered = MeterLine(meter="gen1", inverter="inv1", days=9, meter_kwh=1.0, inverter_kwh=1.0)
    fact, _ = verdict_sentences(pack("fault", {"fault": 3_000}, meters=(metered,), days=100))
    assert fact.startswith(
        "From 1 Jan 2026 to 30 Apr 2026, on the 100 of 120 days that can be reckoned, the customer's meter shows 7.0"
    )


@pytest.mark.parametrize(
    ("kind", "taken", "said"),
    [
        ("weather", {"weather": 3_000}, "Most of it is the weather, likely (80%), which took 3.0 kWh."),
        ("quote", {"quote": 3_000}, "Most of it is the quote itself, likely (80%): under the usual sky this roof makes "
         "about 90.0 kWh a year by its nameplate, where 100 were quoted."),
        ("shade", {"shade": 3_000}, "Most of it is shade, likely (80%): 3.0 kWh by what stood there from the "
         "beginning."),
        ("fault", {"fault": 3_000}, "Most of it is a fault, likely (80%): string s1 has made nothing; about 3 kWh not "
         "made."),
        ("meter", {"meter": 3_000}, "the meter shows 3.0 kWh less than the inverter says, and only a measurement on "
         "site tells which of both is right."),
        ("limits", {"limits": 3_000}, "which took 3.0 kWh and is no defect of the roof."),
    ],
)  # fmt: skip
def test_the_second_names_the_cause_and_how_sure_it_is(kind: str, taken: dict[str, int], said: str) -> None:
    one = pack(kind, taken)
    assert headline(one).startswith("It is mostly ")
    assert said in verdict_sentences(one)[1]


def test_a_second_cause_is_named_beside_the_first() -> None:
    one = pack("weather", {"weather": 3_000, "quote": 2_000}, verdict={"second": "quote"})
    assert verdict_sentences(one)[1].endswith("which took 3.0 kWh; next to it, the quote itself takes 2.0 kWh.")


def test_a_roof_that_keeps_its_quote_points_to_use_or_to_what_it_lost_all_the_same() -> None:
    well = pack("use", {"weather": -500}, house=HouseLine(days=120, imported=812.0, exported=3.0))
    assert headline(well) == "It makes what was quoted"
    assert (
        "look at how and when the energy is used (the grid meter counted 812 kWh bought meanwhile)."
        in (verdict_sentences(well)[1])
    )
    hurt = pack("use", {"weather": -2_000, "fault": 1_000}, verdict={"second": "fault"})
    assert headline(hurt) == "It makes what was quoted, but not all that it could"
    assert verdict_sentences(hurt)[1] == (
        "That keeps the quote, likely (80%), and yet a fault took 1.0 kWh, told below, without which it would have "
        "made 9.1% more."
    )


def test_what_cannot_be_told_says_why_and_what_is_likeliest() -> None:
    told = Verdict(
        kind="cannot_tell", certainty=0.4, chances={**EVEN, "fault": 0.4, "weather": 0.3}, short=0.3,
        why_not="no cause stands out from the others",
    )  # fmt: skip
    one = replace(pack("fault", {"fault": 3_000}), verdict=told)
    assert headline(one) == "It cannot be told"
    assert verdict_sentences(one)[1] == (
        "Why cannot be told, because no cause stands out from the others; the main cause may be a fault (40%) or the "
        "weather (30%)."
    )
    enough = replace(one, verdict=replace(told, short=-0.1))
    assert verdict_sentences(enough)[1].startswith("Whether that holds for the whole of the period cannot be told")
