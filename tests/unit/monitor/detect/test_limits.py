"""What is told of limits: clipping, export limits, limits that came down, trips at high grid voltage."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Channel, Values
from monitor.config.models import Site
from monitor.detect.clipping import Clipping
from monitor.detect.export_limiting import ExportLimiting
from monitor.detect.faulty import KINDS
from monitor.detect.finding import Finding
from monitor.detect.grid_voltage_trip import GridVoltageTrip
from monitor.detect.night import Verdict
from tests.unit.monitor.detect.limited import (
    AC,
    EXPORT,
    GRID_VOLTS,
    JUNE,
    POWER,
    STEP_S,
    VOLTS,
    clear_day,
    days_from,
    home,
    limited_to,
    replay,
    seen_day,
)  # fmt: skip

WEEK = days_from(JUNE, 7)
Columns = Mapping[Channel, Values]


def says(verdicts: list[Verdict], subject: str) -> str:
    return next(v.says for v in verdicts if v.subject == subject)


def one(findings: list[Finding], subject: str) -> Finding:
    (found,) = [f for f in findings if f.subject == subject]
    return found


def lost_kwh(free: Columns, limited: Columns) -> float:
    return float(np.sum(free[AC] - limited[AC])) * STEP_S / 3.6e6


def test_clipping_is_one_note_from_the_third_day_on_with_what_it_cost() -> None:
    site = home(rated_ac_w=5000.0)
    days = [(day, limited_to(clear_day(site, day), 5000.0)) for day in WEEK]
    said, findings = replay(site, Clipping(), days)
    assert [says(v, "inverter:inv1") for v in said] == ["healthy"] * 2 + ["trouble"] * 5
    note = one(findings, "inverter:inv1")
    assert (note.level, note.since, note.raised) == ("note", WEEK[0], WEEK[2])
    truth = sum(lost_kwh(clear_day(site, day), columns) for day, columns in days[2:])
    assert note.lost_kwh == pytest.approx(truth, rel=0.15)
    assert note.lost_kwh_low < truth < note.lost_kwh_high
    assert "5.00 kW on bright days" in note.summary


def test_a_note_survives_a_dull_month_and_ends_with_the_season() -> None:
    site = home(rated_ac_w=5000.0)
    bright = [(day, limited_to(clear_day(site, day), 5000.0)) for day in days_from(JUNE, 4)]
    gloom = clear_day(site, sky=0.5)
    dull = [(day, gloom) for day in days_from(JUNE + timedelta(4), 62)]
    _, findings = replay(site, Clipping(), [*bright, *dull[:30]])
    assert one(findings, "inverter:inv1").state == "open"
    _, findings = replay(site, Clipping(), [*bright, *dull])
    assert one(findings, "inverter:inv1").state == "cleared"


@pytest.mark.parametrize("limit", [None, 3680.0])
def test_an_export_limit_shows_in_the_export_stated_or_not(limit: float | None) -> None:
    site = home(**({} if limit is None else {"export_limit_w": limit}))
    days = [(day, _export_limited(site, day, 3680.0)) for day in WEEK]
    said, findings = replay(site, ExportLimiting(), days)
    expected = ["trouble"] * 7 if limit else ["healthy"] * 2 + ["trouble"] * 5
    assert [says(v, "site") for v in said] == expected
    note = one(findings, "site")
    assert (note.level, note.evidence["stated"], note.evidence["export_measured"]) == ("note", limit is not None, True)
    assert note.evidence["level_w"] == pytest.approx(3680.0, rel=0.01)
    truth = sum(lost_kwh(clear_day(site, day), columns) for day, columns in days[expected.index("trouble") :])
    assert note.lost_kwh == pytest.approx(truth, rel=0.2)


def test_an_export_that_nobody_measures_is_told_by_voltage_or_not_at_all() -> None:
    site = home(export_limit_w=3680.0)
    days = []
    for day in WEEK[:3]:
        columns = _export_limited(site, day, 3680.0)
        del columns[EXPORT]
        days.append((day, columns))
    said, findings = replay(site, ExportLimiting(), days)
    assert says(said[-1], "site") == "trouble"
    assert "nobody measures the export" in one(findings, "site").summary
    for _, columns in days:
        for channel in VOLTS.values():
            del columns[channel]
    said, findings = replay(site, ExportLimiting(), days)
    assert [says(v, "site") for v in said] == ["unclear"] * 3
    assert findings == []


def test_a_limit_that_came_down_unannounced_is_watched_and_not_a_note_of_clipping() -> None:
    site = home(rated_ac_w=5000.0)
    high = [(day, limited_to(clear_day(site, day), 5000.0)) for day in days_from(JUNE, 5)]
    low = [(day, limited_to(clear_day(site, day), 3680.0)) for day in days_from(JUNE + timedelta(5), 6)]
    said, findings = replay(site, ExportLimiting(), [*high, *low])
    assert [says(v, "inverter:inv1") for v in said] == ["healthy"] * 8 + ["trouble"] * 3
    found = one(findings, "inverter:inv1")
    assert (found.level, found.since) == ("watch", JUNE + timedelta(5))
    assert "3.68 kW" in found.summary
    assert "5.00 kW before" in found.summary
    said, _ = replay(site, Clipping(), [*high, *low])
    assert [says(v, "inverter:inv1") for v in said[-3:]] == ["unclear"] * 3
    back = [(day, limited_to(clear_day(site, day), 5000.0)) for day in days_from(JUNE + timedelta(11), 2)]
    said, _ = replay(site, ExportLimiting(), [*high, *low, *back])
    assert says(said[-1], "inverter:inv1") == "healthy"


def test_a_lower_top_behind_a_register_that_began_anew_may_be_another_inverter() -> None:
    site = home(rated_ac_w=5000.0)
    high = [(day, limited_to(clear_day(site, day), 5000.0)) for day in days_from(JUNE, 5)]
    low = [(day, limited_to(clear_day(site, day), 3680.0)) for day in days_from(JUNE + timedelta(5), 6)]
    anew = float(KINDS.index("register_reset") + 1)
    _, findings = replay(site, ExportLimiting(), [*high, *low], {JUNE + timedelta(5): {"inverter:inv1": anew}})
    found = one(findings, "inverter:inv1")
    assert (found.confidence, found.evidence["other_causes"]) == (0.5, {"site_file": 0.5})
    assert "its energy register began anew about then, as that of another inverter would" in found.summary
    assert found.summary.endswith(
        "The cause is not certain: the export limit (50%) or a site file that is wrong (50%)."
    )


def test_a_limit_that_the_site_file_states_has_not_come_down() -> None:
    site = home(rated_ac_w=5000.0, export_limit_w=3680.0)
    high = [(day, limited_to(clear_day(site, day), 5000.0)) for day in days_from(JUNE, 5)]
    low = [(day, limited_to(clear_day(site, day), 3680.0)) for day in days_from(JUNE + timedelta(5), 6)]
    said, _ = replay(site, ExportLimiting(), [*high, *low])
    assert {says(v, "inverter:inv1") for v in said} == {"healthy"}


def test_autumn_is_no_limit_that_came_down() -> None:
    site = home(rated_ac_w=5000.0)
    days = [(day, limited_to(clear_day(site, day), 5000.0)) for day in days_from(date(2026, 8, 20), 80)[::4]]
    said, findings = replay(site, ExportLimiting(), days)
    assert {v.says for verdicts in said for v in verdicts} == {"healthy"}
    assert findings == []


@pytest.mark.parametrize("logged", [True, False])
def test_trips_at_high_voltage_are_found_within_a_week(*, logged: bool) -> None:
    site = home()
    free = [clear_day(site, day) for day in days_from(JUNE, 9)]
    days = [(day, _with_trips(free[n], n, logged=logged)) for n, day in enumerate(days_from(JUNE, 9))]
    said, findings = replay(site, GridVoltageTrip(), days)
    assert [says(v, "inverter:inv1") for v in said] == ["unclear"] * 4 + ["trouble"] * 5
    found = one(findings, "inverter:inv1")
    assert (found.level, found.since, found.raised) == ("visit", JUNE, JUNE + timedelta(4))
    truth = sum(lost_kwh(whole, columns) for whole, (_, columns) in zip(free, days, strict=True))
    assert found.lost_kwh == pytest.approx(truth, rel=0.15)


def test_an_inverter_that_waits_most_of_noon_lost_what_was_seen_from_outside() -> None:
    site = home()
    free = [seen_day(site, day) for day in days_from(JUNE, 9)]
    days = []
    for n, day in enumerate(days_from(JUNE, 9)):
        columns = _with_trips(free[n], n, logged=True)
        hour = np.arange(columns[AC].size) / 12.0
        waits = (hour > 12.0) & (hour < 15.0) & (np.arange(hour.size) % 8 > 0)  # every 40 minutes it tries again
        for channel in (AC, *POWER.values()):
            columns[channel] = np.where(waits, 0.0, columns[channel])
        columns[GRID_VOLTS] = np.where((hour > 12.0) & (hour < 15.0), 253.2, columns[GRID_VOLTS])
        days.append((day, columns))
    _, findings = replay(site, GridVoltageTrip(), days)
    truth = sum(lost_kwh(whole, columns) for whole, (_, columns) in zip(free, days, strict=True))
    assert one(findings, "inverter:inv1").lost_kwh == pytest.approx(truth, rel=0.15)


def test_clouds_in_a_street_of_high_voltage_are_no_trips() -> None:
    site = home()
    days = []
    for seed, day in enumerate(days_from(JUNE, 20)):
        rng = np.random.default_rng(seed)
        shape = clear_day(site, day)[AC].shape
        sky = np.where(np.repeat(rng.random(shape[0] // 4) < 0.35, 4), 0.35, 1.0)
        columns = clear_day(site, day, sky=sky)
        columns[GRID_VOLTS] = 247.0 + 5.0 * columns[AC] / 6000.0 + rng.normal(0.0, 1.0, shape)
        days.append((day, columns))
    said, findings = replay(site, GridVoltageTrip(), days)
    assert "trouble" not in {v.says for verdicts in said for v in verdicts}
    assert findings == []


@pytest.mark.parametrize("logged", [True, False])
def test_a_chimney_s_shade_at_the_hour_of_highest_voltage_is_no_trip(*, logged: bool) -> None:
    site = home()
    days = []
    for day in days_from(JUNE, 20):
        columns = clear_day(site, day)
        shade = np.ones(columns[AC].shape)
        shade[150:162] = 0.6
        for channel in (AC, *POWER.values()):
            columns[channel] = shade * columns[channel]
        hour = np.arange(columns[AC].size) / 12.0
        columns[GRID_VOLTS] = 246.0 + 7.0 * np.exp(-(((hour - 13.0) / 2.0) ** 2))
        if not logged:
            for channel in VOLTS.values():
                del columns[channel]
        days.append((day, columns))
    said, findings = replay(site, GridVoltageTrip(), days)
    assert "trouble" not in {v.says for verdicts in said for v in verdicts}
    assert findings == []


def _export_limited(site: Site, day: date, watts: float) -> dict[Channel, Values]:
    """The export held at a limit behind a house whose use goes up and down."""
    rng = np.random.default_rng(day.toordinal())
    columns = clear_day(site, day)
    use = 250.0 + 1500.0 * np.repeat(rng.random(columns[AC].size // 6) < 0.3, 6)
    columns = limited_to(columns, watts + use)
    columns[EXPORT] = np.maximum(columns[AC] - use, 0.0)
    return columns


def _with_trips(columns: Columns, seed: int, *, logged: bool) -> dict[Channel, Values]:
    """Five minutes here and there near noon in which the inverter lets go; voltage falls when it has let go."""
    rng = np.random.default_rng(seed)
    found = {channel: values.copy() for channel, values in columns.items()}
    volts = 242.0 + 11.0 * found[AC] / found[AC].max() + rng.normal(0.0, 0.7, found[AC].shape)
    trips = np.zeros(volts.shape, dtype=bool)
    for n in range(1, volts.size):
        trips[n] = volts[n - 1] > 252.3 and not trips[n - 1] and rng.random() < 0.6
    left = np.where(trips, rng.uniform(0.0, 0.6, volts.shape), 1.0)
    for channel in (AC, *POWER.values()):
        found[channel] = left * found[channel]
    found[GRID_VOLTS] = np.where(trips, volts - 4.0, volts)
    for channel in VOLTS.values():
        found[channel] = (1.0 + 0.2 * (1.0 - left)) * found[channel]
        if not logged:
            del found[channel]
    return found
