"""What each detector says of a day, and what it must not say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.contest import settle
from monitor.detect.dead import stillness
from monitor.detect.delivered import USUAL_EFFICIENCY
from monitor.detect.finding import LEVELS
from monitor.detect.life import advance
from monitor.detect.night import DayLoss, GapStep, Region, SiteNight, UnitNight, Verdict
from monitor.detect.table import KINDS, detector_table
from monitor.model.grid import STEP_S, grid
from monitor.model.ladder import Expected

DAY = date(2026, 6, 21)
START = 1_782_000_000 // 86400 * 86400
SHAPE: Values = np.maximum(np.sin(np.linspace(-0.4, np.pi + 0.4, 96)), 0.0)
ZERO = np.zeros(96)
GAP = np.full(96, np.nan)


def unit(
    subject: str, power_w: Values, *, rated_w: float = 4000.0, sky: float = 0.7, source: str = "neighbours"
) -> UnitNight:
    made = sky * rated_w * SHAPE
    return UnitNight(
        subject, rated_w, Expected(made, 0.85 * made, 1.15 * made, source, sigma=0.12, clearness=sky), power_w
    )  # type: ignore[arg-type]


def night(site: Site, *, s1: Values, s2: Values, ac: Values, **changes: object) -> SiteNight:
    units = {
        "string:s1": unit("string:s1", s1),
        "string:s2": unit("string:s2", s2),
        "inverter:inv1": unit("inverter:inv1", ac, rated_w=7500.0),
    }
    made = SiteNight(
        site=site, day=DAY, starts=grid(START, START + 86400), units=units, meters_w={}, light_w=SHAPE * 1000.0,
        heard={"log": np.ones(96), "meter": np.ones(96)}, expecting=frozenset({"log", "meter"}),
        silent_nights={"log": 0, "meter": 0}, snow_possible=False,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


WORKS = 0.7 * 4000.0 * SHAPE
AC = 0.7 * 7500.0 * SHAPE


def says(night: SiteNight, cause: str) -> dict[str, str]:
    return {v.subject: v.says for v in detector_table()[cause].find(night)}


def test_every_detector_is_silent_when_all_is_well(site: Site) -> None:
    well = night(site, s1=WORKS, s2=WORKS, ac=AC)
    for cause in detector_table():
        assert "trouble" not in says(well, cause).values()
    for cause in ("failed_string", "inverter_outage", "missing_data"):
        assert set(says(well, cause).values()) == {"healthy"}


def test_every_cause_has_a_level_and_a_way_to_clear() -> None:
    assert KINDS.keys() == detector_table().keys()
    assert all(kind.level in LEVELS and kind.good_days_to_clear > 0 for kind in KINDS.values())


def test_a_string_whose_energy_the_inverter_delivers_is_not_dead(site: Site) -> None:
    unseen = night(site, s1=WORKS, s2=ZERO, ac=0.96 * 2.0 * WORKS)
    assert says(unseen, "failed_string")["string:s2"] == "unclear"


def test_a_channel_that_dies_at_noon_is_no_dead_string_while_the_inverter_delivers(site: Site) -> None:
    half = np.where(np.arange(96) < 48, WORKS, 0.0)
    unseen = night(site, s1=WORKS, s2=half, ac=0.96 * 2.0 * WORKS)
    assert says(unseen, "failed_string")["string:s2"] == "unclear"


def test_dead_string_beside_a_working_one(site: Site) -> None:
    dead = night(site, s1=WORKS, s2=ZERO, ac=AC / 2)
    assert says(dead, "failed_string") == {"string:s1": "healthy", "string:s2": "trouble"}
    assert says(dead, "inverter_outage") == {"inverter:inv1": "healthy"}
    (verdict,) = [v for v in detector_table()["failed_string"].find(dead) if v.says == "trouble"]
    expected = float(np.sum(WORKS)) * STEP_S / 3.6e6
    assert verdict.losses[0].kwh == pytest.approx(USUAL_EFFICIENCY * expected)
    assert verdict.losses[0].low < expected < verdict.losses[0].high


@pytest.mark.parametrize("share", [0.12, 0.3, 0.6])
def test_a_shaded_string_is_not_a_dead_one(site: Site, share: float) -> None:
    assert says(night(site, s1=WORKS, s2=share * WORKS, ac=AC / 2), "failed_string")["string:s2"] != "trouble"


def test_string_that_dies_at_noon_is_told_the_same_night(site: Site) -> None:
    half = np.where(np.arange(96) < 48, WORKS, 0.0)
    found = [
        v
        for v in detector_table()["failed_string"].find(night(site, s1=WORKS, s2=half, ac=0.96 * (WORKS + half)))
        if v.says == "trouble"
    ]
    assert [v.subject for v in found] == ["string:s2"]
    assert found[0].losses[0].kwh == pytest.approx(USUAL_EFFICIENCY * float(np.sum(WORKS[48:])) * STEP_S / 3.6e6)


def test_by_a_wrong_clock_only_most_of_a_day_at_nothing_is_a_standstill(site: Site) -> None:
    stamp = Verdict("source:log", "clock_error", "trouble", confidence=0.9, since=DAY)
    on_time = night(site, s1=WORKS, s2=WORKS, ac=AC)
    (change,) = advance(on_time, [stamp], [], suspected=lambda *_: (), raised=DAY)
    wrong = change.finding
    half = np.where(np.arange(96) < 56, 1.0, 0.0)
    early = night(site, s1=half * WORKS, s2=half * WORKS, ac=half * AC)
    assert says(early, "inverter_outage") == {"inverter:inv1": "trouble"}
    assert says(replace(early, known=(wrong,)), "inverter_outage") == {"inverter:inv1": "unclear"}
    still = night(site, s1=ZERO, s2=ZERO, ac=ZERO)
    assert says(replace(still, known=(wrong,)), "inverter_outage") == {"inverter:inv1": "trouble"}


def test_a_string_that_rests_at_noon_and_works_again_is_not_dead(site: Site) -> None:
    rests = np.where((np.arange(96) > 40) & (np.arange(96) < 50), 0.0, WORKS)
    assert says(night(site, s1=WORKS, s2=rests, ac=AC), "failed_string")["string:s2"] == "unclear"


def test_outage_is_one_trouble_and_not_two_dead_strings(site: Site) -> None:
    out = night(site, s1=ZERO, s2=ZERO, ac=ZERO - 4.0)
    assert says(out, "inverter_outage") == {"inverter:inv1": "trouble"}
    assert set(says(out, "failed_string").values()) == {"unclear"}


def test_a_gap_is_neither_outage_nor_dead_string(site: Site) -> None:
    gone = night(site, s1=GAP, s2=GAP, ac=GAP, heard={"log": ZERO, "meter": np.ones(96)})
    assert set(says(gone, "inverter_outage").values()) == {"unclear"}
    assert set(says(gone, "failed_string").values()) == {"unclear"}
    assert says(gone, "missing_data")["source:log"] == "unclear"  # one night is not reported yet
    again = replace(gone, silent_nights={"log": 1, "meter": 0})
    assert says(again, "missing_data")["source:log"] == "trouble"


def test_a_silent_log_and_a_still_generation_meter_are_an_outage(site: Site) -> None:
    gone = night(site, s1=GAP, s2=GAP, ac=GAP, heard={"log": ZERO, "meter": np.ones(96)}, meters_w={"meter:gen1": ZERO})
    assert says(gone, "inverter_outage") == {"inverter:inv1": "trouble"}
    working = replace(gone, meters_w={"meter:gen1": AC})
    assert says(working, "inverter_outage") == {"inverter:inv1": "healthy"}


def test_a_meter_that_counts_contradicts_a_log_of_zeros(site: Site) -> None:
    odd = night(site, s1=GAP, s2=GAP, ac=ZERO, meters_w={"meter:gen1": AC})
    assert says(odd, "inverter_outage") == {"inverter:inv1": "unclear"}


def test_a_dark_day_says_nothing(site: Site) -> None:
    dark = night(site, s1=ZERO, s2=ZERO, ac=ZERO)
    gloom = {s: unit(s, ZERO, rated_w=u.rated_w, sky=0.02) for s, u in dark.units.items()}
    assert set(says(replace(dark, units=gloom), "inverter_outage").values()) == {"unclear"}
    assert stillness(dark, gloom["string:s1"]).share is None


def guessed(subject: str, power_w: Values, rated_w: float) -> UnitNight:
    """A unit whose sky nobody knows: most likely a third of it, at the least next to nothing."""
    likely = 0.3 * rated_w * SHAPE
    sky = Expected(likely, 0.02 * rated_w * SHAPE, 2.5 * likely, "clear_sky", sigma=0.8, clearness=0.4)
    return UnitNight(subject, rated_w, sky, power_w)


def test_where_nobody_knows_the_sky_a_standstill_is_told_after_more_days(site: Site) -> None:
    still = night(site, s1=ZERO, s2=ZERO, ac=ZERO)
    units = {s: guessed(s, ZERO, u.rated_w) for s, u in still.units.items()}
    (verdict,) = detector_table()["inverter_outage"].find(replace(still, units=units))
    assert (verdict.says, verdict.nights_needed) == ("trouble", 5)
    dull = {s: guessed(s, 0.01 * u.rated_w * SHAPE, u.rated_w) for s, u in still.units.items()}
    (working,) = detector_table()["inverter_outage"].find(replace(still, units=dull))
    assert working.says != "trouble"


def test_kilowatts_taken_for_watts_are_no_standstill(site: Site) -> None:
    rng = np.random.default_rng(3)
    clouded = rng.uniform(0.5, 1.3, 96) * AC
    thousandth = night(site, s1=GAP, s2=GAP, ac=clouded / 1000.0)
    assert says(thousandth, "inverter_outage") == {"inverter:inv1": "unclear"}
    idle = night(site, s1=GAP, s2=GAP, ac=np.where(AC > 0.0, 3.0, 0.0) + rng.normal(0.0, 0.3, 96))
    assert says(replace(idle, units=idle.units), "inverter_outage") == {"inverter:inv1": "trouble"}


@pytest.mark.parametrize(("dull", "nights"), [(False, 2), (True, 4)])
def test_silence_on_days_that_may_have_been_dark_is_told_later(site: Site, dull: bool, nights: int) -> None:
    quiet = night(site, s1=GAP, s2=GAP, ac=GAP, heard={"log": np.zeros(96), "meter": np.ones(96)}, dull=dull)
    for before in range(4):
        found = says(replace(quiet, silent_nights={"log": before, "meter": 0}), "missing_data")
        assert found["source:log"] == ("trouble" if before + 1 >= nights else "unclear")


def test_snow_is_waited_out_where_nothing_proves_that_the_plane_is_free(site: Site) -> None:
    winter = night(site, s1=ZERO, s2=ZERO, ac=ZERO, snow_possible=True)
    (verdict,) = detector_table()["inverter_outage"].find(winter)
    assert (verdict.says, verdict.nights_needed) == ("trouble", 3)
    (watched,) = detector_table()["inverter_outage"].find(replace(winter, region=Region(0, 4)))
    assert watched.nights_needed == 2
    (snowed,) = detector_table()["inverter_outage"].find(replace(winter, region=Region(2, 2)))
    assert snowed.says == "unclear"
    beside = night(site, s1=WORKS, s2=ZERO, ac=AC / 2, snow_possible=True)
    found = {v.subject: v for v in detector_table()["failed_string"].find(beside)}
    assert (found["string:s2"].says, found["string:s2"].nights_needed) == ("trouble", 1)


@pytest.mark.parametrize(("counted", "expected"), [(0.0, ["trouble"]), (30.0, [])])
def test_the_register_after_a_gap_tells_what_happened(site: Site, counted: float, expected: list[str]) -> None:
    loss = (DayLoss(date(2026, 6, 19), 30.0, 25.0, 35.0),)
    step = GapStep("inverter:inv1", date(2026, 6, 18), DAY, counted, 40.0, 34.0, loss)
    well = night(site, s1=WORKS, s2=WORKS, ac=AC, gap_steps=(step,))
    found = [v.says for v in detector_table()["inverter_outage"].find(well) if v.since == date(2026, 6, 18)]
    assert found == expected


def test_all_sources_silent_are_one_trouble_of_the_site(site: Site) -> None:
    mute = night(site, s1=GAP, s2=GAP, ac=GAP, heard={"log": ZERO, "meter": ZERO}, silent_nights={"log": 4, "meter": 4})
    assert says(mute, "missing_data") == {"source:log": "unclear", "source:meter": "unclear", "site": "trouble"}


def test_an_outage_explains_its_own_silent_log(site: Site) -> None:
    found = [
        Verdict("inverter:inv1", "inverter_outage", "trouble"),
        Verdict("source:log", "missing_data", "trouble"),
        Verdict("source:meter", "missing_data", "trouble"),
    ]
    settled = {v.subject: v.says for v in settle(site, found, [])}
    assert settled == {"inverter:inv1": "trouble", "source:log": "unclear", "source:meter": "trouble"}


def test_life_of_a_finding(site: Site) -> None:
    """Raised, seen, through a day that cannot be judged, cleared after good days, reopened as the same trouble."""
    loss = DayLoss(DAY, 10.0, 8.0, 12.0)

    def step(n: int, what: str, known: list, **more: object) -> list:  # type: ignore[type-arg]
        day = date(2026, 6, 1 + n)
        tonight = replace(night(site, s1=WORKS, s2=WORKS, ac=AC), day=day)
        verdict = Verdict("string:s2", "failed_string", what, 0.97, day, (replace(loss, day=day),), **more)  # type: ignore[arg-type]
        changes = advance(tonight, [verdict], known, suspected=lambda *_: (), raised=day)
        return [c.finding for c in changes] or known

    found = step(0, "trouble", [])
    assert (found[0].state, found[0].since, found[0].raised, found[0].lost_kwh) == (
        "open",
        date(2026, 6, 1),
        date(2026, 6, 1),
        10.0,
    )
    assert found[0].lost_money == pytest.approx(2.8)
    found = step(1, "unclear", found)
    assert found[0].lost_kwh == 10.0
    found = step(2, "trouble", found)
    assert found[0].lost_kwh == 30.0  # the day that could not be judged counts, as the trouble went on
    for n in (3, 4):
        found = step(n, "healthy", found)
        assert found[0].state == "open"
    found = step(5, "healthy", found)
    assert (found[0].state, found[0].cleared, found[0].last_seen) == ("cleared", date(2026, 6, 6), date(2026, 6, 3))
    again = step(12, "trouble", found)
    assert (again[0].id, again[0].state, again[0].cleared, again[0].raised) == (
        found[0].id,
        "open",
        None,
        date(2026, 6, 1),
    )
    assert "Part of your roof" in again[0].advice["homeowner"]
    assert "live in daylight" in again[0].advice["service"]
    assert "string s2 on inverter inv1" in again[0].summary.lower()


def test_a_doubtful_trouble_waits_for_more_nights(site: Site) -> None:
    verdict = Verdict("inverter:inv1", "inverter_outage", "trouble", 0.85, DAY, nights_needed=2)
    tonight = night(site, s1=ZERO, s2=ZERO, ac=ZERO)
    assert advance(tonight, [verdict], [], suspected=lambda *_: (), raised=DAY) == []
    before = date(2026, 6, 19)
    (change,) = advance(tonight, [verdict], [], suspected=lambda *_: (before,), raised=DAY)
    assert (change.finding.since, change.finding.raised) == (before, DAY)


# A subject and what its words rest on, for every cause.
EXAMPLES: dict[str, tuple[str, dict[str, object]]] = {
    "failed_string": ("string:s1", {}),
    "inverter_outage": ("inverter:inv1", {}),
    "missing_data": ("source:log", {}),
    "underperforming_string": ("string:s1", {"loss_fraction": 0.1}),
    "underperforming_module": ("module:s1/03", {"loss_fraction": 0.1}),
    "soiling": ("site", {"loss_fraction": 0.1}),
    "shading_growth": ("string:s1", {"azimuth_deg": 200.0, "elevation_deg": 22.5, "lost_kwh_per_year": 80.0}),
    "clock_error": ("source:log", {}),
    "data_fault": ("inverter:inv1", {}),
    "grid_voltage_trip": ("inverter:inv1", {}),
    "clipping": ("inverter:inv1", {}),
    "export_limiting": ("inverter:inv1", {}),
    "snow": ("site", {}),
    "meter_disagreement": (
        "meter:gen1",
        {"way": "change", "meter_over_inverter": 0.95, "before": 1.0, "moved": "meter"},
    ),
    "energy_imbalance": ("meter:gen1", {"way": "dark", "dark_w": 400.0}),
}


@pytest.mark.parametrize("cause", sorted(KINDS))
def test_homeowners_are_never_sent_up_or_in(site: Site, cause: str) -> None:
    subject, evidence = EXAMPLES[cause]
    verdict = Verdict(subject, cause, "trouble", 0.9, DAY, evidence=evidence)
    (change,) = advance(night(site, s1=WORKS, s2=WORKS, ac=AC), [verdict], [], suspected=lambda *_: (), raised=DAY)
    text = change.finding.advice["homeowner"].lower()
    assert not any(word in text for word in ("open the", "climb", "ladder", "touch", "switch off", "isolator"))
