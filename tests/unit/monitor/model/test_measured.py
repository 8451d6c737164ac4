"""Stored readings on the grid: what is not believed is a gap that is told of, and energy is kept through changes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from ingest.quality import Mark
from ingest.readings import Channel, Seconds, Table, Values
from monitor.config.models import Site
from monitor.model.grid import STEP_S, grid
from monitor.model.measured import Measured, measure
from tests.unit.monitor.conftest import made_site

DAY = 86_400
BEGIN = 20_605 * DAY - 3600  # local midnight of 1 June 2026
GRID = grid(BEGIN, BEGIN + DAY)
STARTS: Seconds = BEGIN + 900 * np.arange(96, dtype=np.int64)
AC = Channel("inverter:inv1", "ac_power", "mean", "W")
REGISTER = Channel("inverter:inv1", "ac_energy", "counter", "kWh")
METER = Channel("meter:gen1", "ac_energy", "counter", "kWh")
DC = tuple(Channel(f"string:{s}", "dc_power", "mean", "W") for s in ("s1", "s2"))
VOLTS, AMPS = (Channel("string:s1", q, "mean", u) for q, u in (("dc_voltage", "V"), ("dc_current", "A")))


def hump(top: float, starts: Seconds = STARTS) -> Values:
    hour = (starts - BEGIN) / 3600.0
    return np.asarray(np.round(top * np.maximum(np.sin(np.pi * (hour - 5.0) / 15.0), 0.0) ** 1.2, 1))


def day() -> dict[Channel, Values]:
    """A clear day of both strings, the inverter and its register."""
    ac = np.round(2 * 0.96 * hump(3300.0))
    return {AC: ac, REGISTER: 4000.0 + np.cumsum(ac) * 900 / 3.6e6, DC[0]: hump(3300.0), DC[1]: hump(3290.0)}


def measured(columns: Mapping[Channel, Values], site: Site | None = None, starts: Seconds = STARTS) -> Measured:
    return measure(site or made_site(), {"log": Table(starts, dict(columns))}, GRID)


def kwh(power_w: Values, covered: Values | float = 1.0) -> float:
    return float(np.nansum(power_w * covered)) * STEP_S / 3.6e6


def test_a_day_without_faults() -> None:
    given = day()
    found = measured(given)
    np.testing.assert_array_equal(found.power_w["inverter:inv1"], given[AC])
    assert (found.marked, found.marks, found.faults) == ({}, {}, ())


def test_marked_readings_are_gaps_that_are_told_of_and_the_source_was_heard() -> None:
    given = day()
    given[DC[0]] = given[DC[0]].copy()
    given[DC[0]][40:50] = given[DC[0]][40]
    given[DC[0]][60] = 65_535.0
    found = measured(given)
    assert np.flatnonzero(np.isnan(found.power_w["string:s1"])).tolist() == [*range(40, 50), 60]
    assert np.flatnonzero(found.marked["string:s1"][Mark.STUCK]).tolist() == list(range(40, 50))
    assert np.flatnonzero(found.marked["string:s1"][Mark.RANGE]).tolist() == [60]
    assert found.marks["log"].summary()[0].count == 1
    assert found.heard["log"].min() == 1.0


def test_the_counter_fills_what_is_not_believed_of_its_inverter() -> None:
    given = day()
    true = given[AC].copy()
    given[AC] = true.copy()
    given[AC][50] = 65_535.0
    found = measured(given)
    np.testing.assert_allclose(found.power_w["inverter:inv1"], true, rtol=1e-6)


@pytest.mark.parametrize("factor", [1e-3, 1 / 60, 1 / 12, 1 / 4, 1 / 2, 1000.0])
def test_a_power_in_another_unit_is_told_by_strings_and_register(factor: float) -> None:
    given = day()
    true = given[AC]
    given[AC] = true * factor
    found = measured(given)
    np.testing.assert_allclose(found.power_w["inverter:inv1"][1:], true[1:], rtol=1e-6)
    if factor < 1.0:  # beyond the rating it is out of range already
        (fault,) = found.faults
        assert (fault.subject, fault.channel, fault.mark) == ("inverter:inv1", "ac_power", Mark.UNIT)
        assert fault.factor == pytest.approx(factor)
        assert (fault.start, fault.end) == (BEGIN, BEGIN + DAY)
        assert found.marked["inverter:inv1"][Mark.UNIT].min() == 1.0


def test_a_register_in_another_unit_does_not_count() -> None:
    given = day()
    given[REGISTER] = 1000.0 * given[REGISTER]
    found = measured(given)
    np.testing.assert_array_equal(found.power_w["inverter:inv1"], given[AC])
    assert np.isnan(found.counted_w["inverter:inv1"]).all()
    assert [(f.channel, f.factor) for f in found.faults] == [("ac_energy", pytest.approx(1000.0))]


def test_of_two_that_differ_by_four_nobody_knows_which_is_wrong() -> None:
    given = {AC: day()[AC] / 4.0, REGISTER: day()[REGISTER]}
    assert measured(given).faults == ()
    assert [f.channel for f in measured({AC: day()[AC] / 1000.0, REGISTER: day()[REGISTER]}).faults] == ["ac_power"]


def test_strings_in_kilowatts_are_told_by_the_inverter() -> None:
    given = day() | {DC[0]: day()[DC[0]] / 1000.0, DC[1]: day()[DC[1]] / 1000.0}
    found = measured(given)
    assert {(f.subject, f.factor) for f in found.faults} == {("string:s1", 1e-3), ("string:s2", 1e-3)}
    assert np.isnan(found.power_w["string:s2"]).all()


def with_volts(volts: Values, amps: Values, ac: Values) -> dict[Channel, Values]:
    return {VOLTS: volts, AMPS: amps, DC[1]: day()[DC[1]], AC: ac}


def test_a_string_without_current_whose_inverter_has_its_energy_is_a_dead_channel() -> None:
    found = measured(with_volts(305.0 + hump(5.0), np.zeros(96), day()[AC]))
    assert [(f.subject, f.mark, f.factor) for f in found.faults] == [("string:s1", Mark.DEAD, None)]
    assert np.isnan(found.power_w["string:s1"]).all()
    assert found.marked["string:s1"][Mark.DEAD].min() == 1.0


@pytest.mark.parametrize("volts", [0.0, 305.0, 365.0])
def test_a_string_without_current_whose_inverter_lacks_its_energy_is_dead_itself(volts: float) -> None:
    found = measured(with_volts(np.full(96, volts), np.zeros(96), day()[AC] / 2.0))
    assert found.faults == ()
    np.testing.assert_array_equal(found.power_w["string:s1"], np.zeros(96))


@pytest.mark.parametrize("volts", [0.0, 365.0])
def test_nor_is_an_open_string_hidden_by_another_that_the_site_file_does_not_know(volts: float) -> None:
    found = measured(with_volts(volts + hump(0.1), np.zeros(96), day()[AC]))
    assert found.faults == ()
    np.testing.assert_array_equal(found.power_w["string:s1"], np.zeros(96))


@pytest.mark.parametrize("marks", ["start", "end", "instant"])
def test_energy_is_kept_when_a_logger_goes_from_five_minutes_to_fifteen_and_to_one(marks: str) -> None:
    site = made_site(source=[_source(marks)])
    lengths = np.concatenate([np.full(132, 300), np.full(24, 900), np.full(420, 60)])
    ends = BEGIN + np.cumsum(lengths)
    power = 3000.0 + 1000.0 * np.sin(np.arange(lengths.size) / 9.0)
    stamps = {"start": ends - lengths, "end": ends, "instant": ends - lengths // 2}[marks]
    shift = {"start": 0, "end": 300, "instant": 150}[marks]
    found = measure(site, {"log": Table(stamps - shift, {AC: power})}, GRID)
    inside = ends <= GRID[-1] + STEP_S
    assert ends[inside][-1] - BEGIN == 24 * 3600
    energy = kwh(found.power_w["inverter:inv1"], found.covered["inverter:inv1"])
    # Samples in the middle of their intervals leave some minutes beside a change to nobody.
    lost = 5e-3 if marks == "instant" else 1e-9
    assert energy == pytest.approx(np.sum(power * lengths) / 3.6e6, rel=lost)
    assert np.count_nonzero(found.covered["inverter:inv1"] < 0.99) <= (2 if marks == "instant" else 0)
    np.testing.assert_array_equal(found.heard["log"], found.covered["inverter:inv1"])


@pytest.mark.parametrize("marks", ["start", "end", "instant"])
def test_a_counter_tells_powers_at_its_new_interval_and_no_gap_is_made_of_it(marks: str) -> None:
    site = made_site(source=[_source(marks)])
    lengths = np.concatenate([np.full(132, 300), np.full(52, 900)])
    ends = BEGIN + np.cumsum(lengths)
    power = 3000.0 + 1000.0 * np.sin(ends / 9000.0)
    register = 500.0 + np.cumsum(power * lengths) / 3.6e6
    starts = ends - lengths if marks == "start" else ends - 300
    starts, register = np.append(BEGIN - 300, starts), np.append(500.0, register)
    found = measure(site, {"log": Table(starts, {REGISTER: register})}, GRID)
    assert found.steps == ()
    assert not np.isnan(found.power_w["inverter:inv1"]).any()
    assert kwh(found.counted_w["inverter:inv1"]) == pytest.approx(register[-1] - register[0], rel=1e-9)


def test_a_gap_after_the_change_is_still_a_gap_of_its_counter() -> None:
    lengths = np.concatenate([np.full(72, 300), np.full(20, 900), [6 * 3600], np.full(24, 900)])
    ends = BEGIN + np.cumsum(lengths)
    register = 500.0 + np.cumsum(lengths) * 2.0 / 3600.0
    found = measure(made_site(source=[_source("end")]), {"log": Table(ends - 300, {REGISTER: register})}, GRID)
    (step,) = found.steps
    assert (step.end - step.start, step.energy_kwh) == (6 * 3600, pytest.approx(12.0))
    assert np.count_nonzero(np.isnan(found.power_w["inverter:inv1"])) == 24 + 4  # the rows end an hour before midnight


def _source(marks: str) -> dict[str, object]:
    return {
        "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 5,
        "time": {"column": "t", "zone": "UTC", "marks": marks},
        "columns": [
            {"column": "ac", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
            {"column": "kwh", "quantity": "ac_energy", "of": "inverter:inv1", "unit": "kWh", "reads": "counter"},
        ],
    }  # fmt: skip
