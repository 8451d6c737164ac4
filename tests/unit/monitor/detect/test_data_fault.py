"""Readings that cannot be right, and dead strings, outages, gaps and coarse registers that are something else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Channel, Table, Values
from ingest.timeline import local_day
from monitor.config.models import Site
from monitor.detect.data_fault import DataFault
from monitor.detect.evening import site_night
from monitor.detect.faulty import KINDS, observe_faulty
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.telling.data import FAULTS
from monitor.model.dayview import day_view, disbelieve, expect
from monitor.model.grid import grid
from monitor.model.history import DayNote, SiteHistory
from monitor.model.physics import site_physics
from monitor.model.span import site_span
from tests.unit.monitor.conftest import made_site

JUNE = date(2026, 6, 14)
AC = Channel("inverter:inv1", "ac_power", "mean", "W")
REGISTER = Channel("inverter:inv1", "ac_energy", "counter", "kWh")
DC = {s: Channel(f"string:{s}", "dc_power", "mean", "W") for s in ("s1", "s2")}
VOLTS = {s: Channel(f"string:{s}", "dc_voltage", "mean", "V") for s in ("s1", "s2")}
AMPS = {s: Channel(f"string:{s}", "dc_current", "mean", "A") for s in ("s1", "s2")}
Columns = dict[Channel, Values]


def electrical() -> Site:
    """The made-up home with voltages and currents in place of the strings' powers."""
    plain = made_site()
    log = plain.source[0].model_dump()
    log["columns"] = [
        {"column": str(c), "quantity": c.quantity, "of": c.subject, "unit": c.unit, "reads": c.reads}
        for c in (AC, REGISTER, *VOLTS.values(), *AMPS.values())
    ]
    return made_site(source=[log], meter=[])


@pytest.fixture(scope="module")
def plain() -> Site:
    return made_site(meter=[], source=[made_site().source[0].model_dump()])


def readings(site: Site, days: int = 2) -> Columns:
    """Cloudless days with a logger's scatter; the register counts from 5000 kWh on."""
    begin, _ = local_day(JUNE, site.zone)
    starts = grid(begin, begin + days * 86_400)
    physics = site_physics(site, starts)
    rng = np.random.default_rng(5)
    noise = 1.0 + 0.003 * rng.standard_normal(starts.size)
    columns = {AC: np.round(physics.clear_w("inverter:inv1") * noise, 1)}
    columns[REGISTER] = np.round(5000.0 + np.cumsum(columns[AC]) * 0.25 / 1000.0, 2)
    for s in ("s1", "s2"):
        power = physics.clear_w(f"string:{s}") * (1.0 + 0.003 * rng.standard_normal(starts.size))
        columns[DC[s]] = np.round(power, 1)
        columns[VOLTS[s]] = np.round(np.where(power > 5.0, 300.0 + rng.normal(0.0, 1.0, starts.size), 0.0), 1)
        columns[AMPS[s]] = np.round(np.where(power > 5.0, power / 300.0, 0.0), 2)
    given = {(p.of, p.quantity) for p in site.source[0].columns}  # type: ignore[union-attr]
    return {c: v for c, v in columns.items() if (c.subject, c.quantity) in given}


def replay(site: Site, columns: Mapping[Channel, Values], days: int = 2) -> list[tuple[SiteNight, list[Verdict]]]:
    """The nights of some days, each seeing only what was recorded by then."""
    begin, _ = local_day(JUNE, site.zone)
    starts = grid(begin, begin + days * 86_400)
    past = SiteHistory()
    before = {s: DayNote(JUNE - timedelta(1), s, 30.0, 27.0, 33.0, 1.0, {}, 30.0) for s in ("string:s1", "string:s2")}
    past.add(before.values())
    found = []
    for n in range(days):
        day, until = JUNE + timedelta(days=n), begin + (n + 1) * 86_400
        known = starts < until
        span = site_span(site, {"log": Table(starts[known], {c: v[known] for c, v in columns.items()})}, day, day)
        view = day_view(span, day, past)
        expectation = expect(view, [])
        night = site_night(disbelieve(view, expectation, past), expectation, past)
        night = replace(night, traits=observe_faulty(night))
        found.append((night, DataFault().find(night)))
        past.add([DayNote(day, s, 30.0, 27.0, 33.0, 1.0, dict(t), 30.0) for s, t in night.traits.items()])
    return found


def told(nights: list[tuple[SiteNight, list[Verdict]]]) -> dict[str, str]:
    """What the last night has found: subject to kind of fault."""
    return {v.subject: v.evidence["fault"] for v in nights[-1][1] if v.says == "trouble"}


def test_good_days_are_good(plain: Site) -> None:
    for site in (plain, electrical()):
        (_, verdicts), *_ = replay(site, readings(site))
        assert {v.says for v in verdicts} == {"healthy"}


def test_a_power_column_in_kilowatts(plain: Site) -> None:
    columns = readings(plain)
    nights = replay(plain, columns | {AC: columns[AC] / 1000.0})
    assert not [v for v in nights[0][1] if v.says == "trouble"]
    (verdict,) = [v for v in nights[1][1] if v.says == "trouble"]
    assert (verdict.subject, verdict.evidence["fault"], verdict.since) == ("inverter:inv1", "unit", JUNE)
    assert verdict.evidence["level"] == pytest.approx(1e-3)


def test_a_power_column_a_thousand_times_too_high(plain: Site) -> None:
    columns = readings(plain)
    assert told(replay(plain, columns | {AC: columns[AC] * 1000.0})) == {"inverter:inv1": "out_of_range"}


def test_a_column_that_repeats_one_number_of_noon(plain: Site) -> None:
    columns = readings(plain)
    stuck = columns[AC].copy()
    stuck[48:] = stuck[48]
    assert told(replay(plain, columns | {AC: stuck})) == {"inverter:inv1": "stuck"}


def test_a_voltage_column_that_went_empty_or_to_zero() -> None:
    site = electrical()
    columns = readings(site)
    for dead in (np.nan, 0.0):
        found = told(replay(site, columns | {VOLTS["s2"]: np.where(np.arange(192) < 30, columns[VOLTS["s2"]], dead)}))
        assert found == {"string:s2": "no_voltage"}


def test_an_empty_current_column_beside_a_voltage() -> None:
    site = electrical()
    columns = readings(site)
    assert told(replay(site, columns | {AMPS["s2"]: np.full(192, np.nan)})) == {"string:s2": "no_current"}


@pytest.mark.parametrize("volts", [0.0, 372.0])
def test_a_dead_string_is_no_fault_of_its_readings(volts: float) -> None:
    """Open at the roof its voltage is that of the open circuit, cut off at the inverter it is zero."""
    site = electrical()
    columns = readings(site)
    lost = columns[VOLTS["s2"]] * columns[AMPS["s2"]] * 0.96
    half = np.maximum(columns[AC] - lost, 0.0)
    dead = {
        AMPS["s2"]: np.zeros(192), VOLTS["s2"]: np.where(columns[AC] > 0.0, volts, 0.0), AC: half,
        REGISTER: np.round(5000.0 + np.cumsum(half) * 0.25 / 1000.0, 2),
    }  # fmt: skip
    assert told(replay(site, columns | dead)) == {}


def test_an_outage_and_a_gap_are_no_data_faults(plain: Site) -> None:
    columns = readings(plain)
    out = {c: np.full(192, 5000.0) if c is REGISTER else np.zeros(192) for c in columns}
    gone = {c: np.where(np.arange(192) > 20, np.nan, v) for c, v in columns.items()}
    for change in (out, gone):
        assert told(replay(plain, change)) == {}


def test_a_register_that_no_longer_moves(plain: Site) -> None:
    columns = readings(plain)
    assert told(replay(plain, columns | {REGISTER: np.full(192, 5000.0)})) == {"inverter:inv1": "register_stopped"}


def test_a_register_that_starts_anew_is_told_the_same_night(plain: Site) -> None:
    columns = readings(plain)
    anew = np.where(np.arange(192) < 140, columns[REGISTER], columns[REGISTER] - columns[REGISTER][140])
    nights = replay(plain, columns | {REGISTER: anew})
    assert told(nights[:1]) == {}
    assert told(nights) == {"inverter:inv1": "register_reset"}


def test_registers_of_days_and_at_their_end_and_one_failed_answer_start_nothing_anew(plain: Site) -> None:
    columns = readings(plain)
    made = columns[REGISTER] - columns[REGISTER][0]
    daily = np.where(np.arange(192) < 96, made, made - made[96])
    rolls = np.round((99_990.0 + made) % 100_000.0, 2)
    failed = columns[REGISTER].copy()
    failed[60] = 0.0
    for register in (daily, rolls, failed):
        assert told(replay(plain, columns | {REGISTER: register})) == {}


def test_a_register_that_leaps(plain: Site) -> None:
    columns = readings(plain)
    leap = columns[REGISTER] + np.where(np.arange(192) < 140, 0.0, 400.0)
    assert told(replay(plain, columns | {REGISTER: leap})) == {"inverter:inv1": "register_jump"}


def test_a_register_of_whole_kilowatt_hours_is_well(plain: Site) -> None:
    columns = readings(plain)
    assert told(replay(plain, columns | {REGISTER: np.floor(columns[REGISTER])})) == {}


def test_a_frozen_logger_is_one_fault_of_the_source(plain: Site) -> None:
    columns = readings(plain)
    frozen = {c: np.where(np.arange(192) < 44, v, v[44]) for c, v in columns.items()}
    nights = replay(plain, frozen)
    assert told(nights) == {"source:log": "frozen"}


def test_every_kind_has_words() -> None:
    assert {*KINDS, "frozen", "exchanged", "gain"} == FAULTS.keys()
