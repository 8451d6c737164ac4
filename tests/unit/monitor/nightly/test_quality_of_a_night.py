"""What a night says of readings that are not believed: in the daily figures, and in what the detectors are shown."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from ingest.readings import Channel, Seconds, Table, Values
from monitor.detect.evening import site_night
from monitor.detect.failed_string import FailedString
from monitor.detect.inverter_outage import InverterOutage
from monitor.detect.night import SiteNight
from monitor.model.dayview import DayExpectation, DayView, day_view, disbelieve, expect
from monitor.model.grid import grid
from monitor.model.history import DayNote, SiteHistory
from monitor.model.physics import site_physics
from monitor.model.span import site_span
from monitor.nightly.rows import daily_rows
from monitor.store.daily import DailyRow
from tests.unit.monitor.conftest import made_site

JUNE = date(2026, 6, 1)
BEGIN = 20_605 * 86_400 - 3600
STARTS: Seconds = grid(BEGIN, BEGIN + 86_400)
AC = Channel("inverter:inv1", "ac_power", "mean", "W")
DC = tuple(Channel(f"string:{s}", "dc_power", "mean", "W") for s in ("s1", "s2"))


@pytest.fixture(scope="module")
def clear() -> dict[Channel, Values]:
    """A cloudless day of the made-up home, as its log would have it."""
    physics = site_physics(made_site(), STARTS)
    rng = np.random.default_rng(3)
    return {c: np.round(physics.clear_w(c.subject) * (1.0 + 0.002 * rng.standard_normal(96)), 1) for c in (AC, *DC)}


def night(
    columns: dict[Channel, Values], history: SiteHistory | None = None
) -> tuple[DayView, DayExpectation, SiteNight]:
    history = history or SiteHistory()
    view = day_view(site_span(made_site(), {"log": Table(STARTS, columns)}, JUNE, JUNE), JUNE, history)
    expectation = expect(view, [])
    view = disbelieve(view, expectation, history)
    return view, expectation, site_night(view, expectation, history)


def rows(
    columns: dict[Channel, Values], history: SiteHistory | None = None, troubled: tuple[str, ...] = ()
) -> dict[str, DailyRow]:
    view, expectation, shown = night(columns, history)
    found = daily_rows(view, expectation, shown, [], history or SiteHistory(), troubled=troubled, settled=())
    return {row.subject: row for row in found}


def quality(row: DailyRow) -> dict[str, float | None]:
    return {k: v for k, v in row.features.items() if k.startswith(("marked:", "marks:", "unit:"))}


def test_a_good_day_says_nothing_of_quality_and_that_the_clock_is_right(clear: dict[Channel, Values]) -> None:
    found = rows(clear)
    assert all(quality(row) == {} for row in found.values())
    assert abs(found["inverter:inv1"].features["clock_s"] or np.nan) < 60


def test_the_marked_share_is_by_expected_energy(clear: dict[Channel, Values]) -> None:
    stuck = clear[DC[0]].copy()
    stuck[36:44] = stuck[36]
    found = rows(clear | {DC[0]: stuck})
    expected = site_physics(made_site(), STARTS).clear_w("string:s1")
    share = found["string:s1"].features["marked:stuck"]
    assert share == pytest.approx(expected[36:44].sum() / expected.sum(), rel=0.02)
    assert found["string:s1"].usable == pytest.approx(1.0 - share, abs=1e-6)
    assert quality(found["source:log"]) == {"marks:stuck": 8.0}
    assert quality(found["string:s2"]) == {}
    assert found["source:log"].features["heard"] == pytest.approx(1.0)


def test_stamps_that_are_an_hour_late(clear: dict[Channel, Values]) -> None:
    late = rows({c: np.roll(v, 4) for c, v in clear.items()})
    assert late["inverter:inv1"].features["clock_s"] == pytest.approx(3600, abs=120)
    assert late["string:s1"].features["clock_s"] == pytest.approx(3600, abs=120)


def test_a_power_in_kilowatts_is_no_outage(clear: dict[Channel, Values]) -> None:
    """Only the inverter's power is there, and nothing else to hold it against."""
    kilowatts = {AC: np.round(clear[AC] / 1000.0, 3)}
    view, _, shown = night(kilowatts)
    assert view.in_thousandths == {"inverter:inv1"}
    (verdict,) = InverterOutage().find(shown)
    assert verdict.says == "unclear"
    found = rows(kilowatts)
    assert quality(found["inverter:inv1"]) == {"marked:unit": 1.0, "unit:power": 1e-3}
    assert found["inverter:inv1"].measured_kwh is None


def test_a_level_that_is_off_by_a_unit_is_told_when_it_has_lasted(clear: dict[Channel, Values]) -> None:
    history = SiteHistory()
    for n, level in enumerate([1.02, 0.25, None, 0.26]):
        features = {} if level is None else {"level": level}
        history.add([DayNote(date(2026, 5, 20 + n), "inverter:inv1", None, None, None, 1.0, features)])
    assert "unit" not in rows({AC: clear[AC]}, history)["inverter:inv1"].features
    found = rows({AC: clear[AC] / 4.0}, history)["inverter:inv1"].features
    assert found["unit"] == 0.25
    assert found["level"] == pytest.approx(0.25, rel=0.01)
    told = rows({AC: clear[AC] / 4.0}, history, troubled=("inverter:inv1",))["inverter:inv1"].features
    assert told.keys() & {"unit", "level"} == set()


def test_kilowatts_are_known_again_on_the_next_cloudy_day(clear: dict[Channel, Values]) -> None:
    clouds = np.random.default_rng(2).uniform(0.2, 1.0, 96)
    cloudy = {AC: np.round(clear[AC] * clouds / 1000.0, 3)}
    assert night(cloudy)[0].in_thousandths == frozenset()
    history = SiteHistory()
    history.add([DayNote(date(2026, 5, 31), "inverter:inv1", None, None, None, 0.0, {"unit:power": 1e-3})])
    assert night(cloudy, history)[0].in_thousandths == {"inverter:inv1"}
    assert night({AC: clear[AC] * clouds}, history)[0].in_thousandths == frozenset()
    assert night({AC: np.zeros(96)}, history)[0].in_thousandths == frozenset()


@pytest.mark.parametrize("reading", [0.0, 3.0, -8.0])
def test_an_outage_is_seen_whatever_its_readings_say_of_nothing(clear: dict[Channel, Values], reading: float) -> None:
    noise = np.round(np.random.default_rng(1).uniform(0.0, 2.0, 96), 1) if reading > 0.0 else 0.0
    _, _, shown = night({AC: np.full(96, reading) + noise, DC[0]: np.zeros(96), DC[1]: np.zeros(96)})
    (verdict,) = InverterOutage().find(shown)
    assert verdict.says == "trouble"
    assert "marked_share" not in verdict.evidence


def test_a_dead_string_is_seen_and_a_dead_channel_is_not_taken_for_one(clear: dict[Channel, Values]) -> None:
    still = clear | {DC[0]: np.zeros(96)}
    _, _, shown = night(still | {AC: clear[AC] / 2.0})
    assert [v.says for v in FailedString().find(shown)] == ["trouble", "healthy"]
    _, _, shown = night(still)
    assert [v.says for v in FailedString().find(shown)] == ["unclear", "healthy"]
    assert shown.units["string:s1"].marked == 1.0


def test_evidence_tells_of_marked_readings(clear: dict[Channel, Values]) -> None:
    broken = np.zeros(96)
    broken[50:53] = 65_535.0
    _, _, shown = night(clear | {DC[0]: broken, AC: clear[AC] / 2.0})
    verdict = FailedString().find(shown)[0]
    assert verdict.says == "trouble"
    assert verdict.evidence["marked_share"] == pytest.approx(0.09, abs=0.02)
