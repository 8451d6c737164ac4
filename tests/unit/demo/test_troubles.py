"""Troubles of the invented fleet beside the physics that they stand for, and what they truly cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from ingest.readers import read_file
from monitor.config import load_fleet
from monitor.demo import make_fleet
from monitor.demo.casts import CASTS, FITTING, Kind, Role
from monitor.demo.chance import stream
from monitor.demo.effects import FLOWS, Effect
from monitor.demo.export import Log
from monitor.demo.fleet import ZONE, draw_homes
from monitor.demo.kinds import alone, electronic, limited, metered, snowy, twin, two_inverters, watched, weathered
from monitor.demo.production import TRIPS_AT_V, Flows, Run, flows_of
from monitor.demo.said import Said, readings_of
from monitor.demo.shade import Obstruction, Rising, sky_seen
from monitor.demo.span import STEPS_PER_DAY, STEPS_PER_HOUR, Span, months_until
from monitor.demo.strings import BYPASS_DROP
from monitor.demo.troubles import HARMLESS, TROUBLES, Happening, Scene, Trouble
from monitor.demo.truth import daily_kwh, lost_kwh, notes_on, truth_of
from monitor.demo.weather import draw_region, snow_on_roof, weather_at

LAST_DAY = date(2026, 8, 31)


@dataclass(frozen=True, eq=False)
class Play:
    """A home with its trouble, and the same home without it."""

    run: Run
    happening: Happening
    flows: Flows
    healthy: Flows

    @property
    def trouble(self) -> Trouble:
        assert self.happening.trouble is not None
        return self.happening.trouble

    @property
    def effect(self) -> Effect:
        return self.happening.effects[-1]

    @property
    def string(self) -> str:
        return self.trouble.subject.removeprefix("string:")

    @property
    def holds(self) -> np.ndarray:
        """Lit steps on which the effect holds."""
        return self.effect.holds(self.run.span)[self.run.weather.sun.lit]

    def size(self) -> np.ndarray:
        return self.effect.sizes(self.run.span)[self.run.weather.sun.lit]

    def said(self) -> tuple[Said, Said]:
        """With the trouble, and without."""
        bare = replace(self.run, effects=self.happening.otherwise)
        return readings_of(self.run, self.flows), readings_of(bare, self.healthy)

    def strong(self) -> np.ndarray:
        """Lit steps with a good current and nothing held back, so that both runs are at their operating point."""
        amps = self.healthy.strings[self.run.home.wires[0].id].current
        free = np.all([w <= 0.0 for w in self.healthy.withheld_w.values()], axis=0)
        return np.asarray((amps > 2.0) & free)


@cache
def scene_of(kind: Kind, seed: int = 3, months: int = 8) -> Scene:
    span = months_until(LAST_DAY, months, ZONE)
    (home,) = draw_homes(seed, span, (Role(kind),))
    region = draw_region(span, [home.place], seed)
    return Scene(home, span, region, seed, stream(seed, home.id, "trouble"))


@cache
def play(kind: Kind, name: str, seed: int = 3) -> Play:
    scene = replace(scene_of(kind, seed), rng=stream(seed, name))
    happening = {**TROUBLES, **HARMLESS}[name](scene)
    weather = weather_at(scene.region, scene.home.place, 0, stream(seed, scene.home.id, "weather"))
    run = Run(scene.home, scene.span, weather, happening.effects, seed)
    flows = flows_of(run)
    felt = any(e.what in FLOWS for e in happening.effects)
    return Play(run, happening, flows, flows_of(replace(run, effects=happening.otherwise)) if felt else flows)


@pytest.mark.parametrize(("name", "modules"), [("lost_substring", 1.0 / 3.0), ("lost_module", 1.0)])
def test_a_bypassed_part_takes_its_share_of_the_voltage_and_leaves_the_current(name: str, modules: float) -> None:
    one = play(twin, name)
    ill, well = one.flows.strings[one.string], one.healthy.strings[one.string]
    wire = next(w for w in one.run.home.wires if w.id == one.string)
    after = one.holds & one.strong()
    assert after.sum() > 1000
    np.testing.assert_allclose(ill.current[after], well.current[after], rtol=1e-9)
    share = BYPASS_DROP * modules / wire.modules
    np.testing.assert_allclose(ill.voltage[after] / well.voltage[after], 1.0 - share, rtol=1e-9)
    other = next(w.id for w in one.run.home.wires if w.id != one.string)
    np.testing.assert_array_equal(one.flows.strings[other].power[after], one.healthy.strings[other].power[after])


def test_a_bad_joint_costs_with_the_square_of_the_current() -> None:
    one = play(twin, "bad_joint")
    ill, well, ohm = one.flows.strings[one.string], one.healthy.strings[one.string], one.size()
    after = one.holds & one.strong() & (ohm == ohm.max())
    assert after.sum() > 1000
    np.testing.assert_allclose(well.power[after] - ill.power[after], ohm.max() * well.current[after] ** 2, rtol=1e-6)


def test_a_warm_joint_opens_when_the_cells_are_warm_and_only_then() -> None:
    one = play(twin, "opens_when_warm")
    lit, ill = one.run.weather.sun.lit, one.flows.strings[one.string]
    warm = one.holds & (one.flows.lit[one.string].cell_c[lit] > one.effect.course[0][1])
    flows = one.healthy.strings[one.string].current > 0.0
    assert 100 < warm.sum() < 0.3 * one.holds.sum()
    np.testing.assert_array_equal((ill.current == 0.0) & flows, warm & flows)
    np.testing.assert_array_equal(ill.voltage[warm], ill.open_voltage[warm])


def test_a_string_that_opens_on_some_days_works_on_the_others() -> None:
    one = play(weathered, "opens_some_days")
    day = one.run.span.day_index[one.run.weather.sun.lit]
    amps = one.flows.strings[one.string].current
    assert one.effect.days is not None
    held = np.isin(day, sorted(one.effect.days))
    well = one.healthy.strings[one.string].current
    np.testing.assert_array_equal(amps[~held], well[~held])
    assert amps[one.holds].max() == 0.0
    felt = {day for day, _ in one_truth(one)}
    assert felt <= {one.run.span.day(d) for d in one.effect.days}


def one_truth(one: Play) -> list[tuple[date, float]]:
    lost = lost_kwh(one.run, one.flows, one.happening)
    return [(one.run.span.day(n), float(lost[n])) for n in np.flatnonzero(lost > 1e-9).tolist()]


def test_dust_lowers_the_current_of_all_strings_and_hardly_the_voltage() -> None:
    one = play(twin, "soiling")
    dirt, strong = one.size(), one.strong()
    after = strong & (dirt > 0.03)
    assert after.sum() > 500
    for key, well in one.healthy.strings.items():
        ill = one.flows.strings[key]
        np.testing.assert_allclose(ill.current[after] / well.current[after], 1.0 - dirt[after], rtol=0.005)
        np.testing.assert_allclose(ill.voltage[after] / well.voltage[after], 1.0, rtol=0.006)
    at, levels = np.array(one.effect.course).T
    falls = np.flatnonzero(np.diff(levels) < 0.0)
    assert len(falls) > 0
    assert all(scene_of(twin).region.rain_mm[int(at[n])] > 6.0 for n in falls.tolist())
    assert one.trouble.last_day is not None
    assert max(day for day, _ in one_truth(one)) == one.trouble.last_day


@pytest.mark.parametrize("name", ["growing_evergreen", "growing_tree", "new_building"])
def test_what_grows_shades_only_below_its_top(name: str) -> None:
    one = play(twin, name)
    sun, rises = one.run.weather.sun, one.effect
    assert rises.rising is not None
    assert one.trouble.elevation_deg == max(e for _, e in rises.rising.outline)
    key = one.run.home.wires[0].id
    more = one.flows.lit[key].shade.share - one.healthy.lit[key].shade.share
    assert more.max() > 0.5
    shaded = more > 1e-9
    azimuths, tops = np.array(rises.rising.outline).T
    azimuth = (sun.azimuth_deg - azimuths[0]) % 360.0 + azimuths[0]
    top = np.interp(azimuth, azimuths, tops, left=-90.0, right=-90.0)
    assert np.all(sun.elevation_deg[shaded] <= top[shaded] + 1.0)
    assert not shaded[~one.holds].any()
    first = one.run.span.day_index[sun.lit][shaded].min()
    assert one.run.span.day(first) >= one.trouble.first_day
    beam = one.run.weather.light.dni > 100.0
    assert np.all(one.flows.lit[key].light.bright[~one.holds] == one.healthy.lit[key].light.bright[~one.holds])
    lost = one.healthy.strings[key].power - one.flows.strings[key].power
    assert lost[shaded & beam & one.strong()].min() > 0.0


def test_a_tree_grows_up_to_the_height_that_is_told() -> None:
    one = play(twin, "growing_tree")
    heights = one.size()[one.holds]
    assert np.all(np.diff(heights) >= 0.0)
    assert heights[-1] == pytest.approx(1.0, abs=0.01)
    before = one.happening.otherwise[0].sizes(one.run.span)
    assert heights[0] == pytest.approx(float(before[0]), abs=0.01)


def test_at_full_height_what_rises_hides_as_much_sky_as_what_always_stood_there() -> None:
    wall = Obstruction("building", ((150.0, 30.0), (200.0, 30.0)))
    hidden = sky_seen((wall,), 35.0, 180.0)
    rising = np.asarray(sky_seen((), 35.0, 180.0, (Rising(wall, np.array([0.0, 0.5, 1.0])),)))
    assert rising[0] == pytest.approx(1.0)
    assert rising[2] == pytest.approx(float(hidden))
    assert 1.0 > rising[1] > rising[2]


def test_a_weak_module_loses_its_own_power_alone() -> None:
    one = play(electronic, "module_without_a_part")
    string, number = one.trouble.subject.removeprefix("module:").split("/")
    ill, well = one.flows.strings[string].module_power, one.healthy.strings[string].module_power
    assert ill is not None
    assert well is not None
    n, after = int(number) - 1, one.holds & one.strong()
    np.testing.assert_allclose(ill[n, after] / well[n, after], 1.0 - BYPASS_DROP / 3.0, rtol=1e-9)
    np.testing.assert_array_equal(np.delete(ill, n, axis=0)[:, after], np.delete(well, n, axis=0)[:, after])


def test_a_fading_module_fades_to_what_is_told() -> None:
    one = play(electronic, "fading_module")
    string, number = one.trouble.subject.removeprefix("module:").split("/")
    ill, well = one.flows.strings[string].module_power, one.healthy.strings[string].module_power
    assert ill is not None
    assert well is not None
    assert one.trouble.loss_fraction is not None
    n, size, strong = int(number) - 1, one.size(), one.holds & one.strong()
    late = strong & (size == size.max())
    assert float(np.median(ill[n, late] / well[n, late])) == pytest.approx(1.0 - one.trouble.loss_fraction, abs=0.01)
    early = strong & (size < 0.25 * size.max())
    assert np.median(ill[n, early] / well[n, early]) > 1.0 - 0.3 * one.trouble.loss_fraction


def test_an_inverter_lets_go_only_of_a_grid_at_too_high_a_voltage() -> None:
    one = play(twin, "grid_voltage_trip")
    lit = one.run.weather.sun.lit
    ill, well = one.flows.ac_w["inv1"][lit], one.healthy.ac_w["inv1"][lit]
    meets = one.flows.streets["inv1"].at(one.healthy.ac_w["inv1"])[lit]
    held_back = ill < 0.999 * well
    assert held_back.sum() > 50
    for step in np.flatnonzero(held_back).tolist():
        assert meets[max(step - 3, 0) : step + 1].max() >= TRIPS_AT_V
    assert not held_back[~one.holds].any()
    high = np.flatnonzero(one.holds & (meets >= TRIPS_AT_V) & (well > 200.0))
    assert np.all(ill[high] < 0.9 * well[high])
    stands = held_back & (ill == 0.0) & (well > 200.0)
    assert np.all(one.flows.strings["s1"].current[stands] == 0.0)


FELT = [(n, ks[0]) for n, ks in FITTING if TROUBLES[n](scene_of(ks[0])).effects[0].what in FLOWS]


@pytest.mark.parametrize(("name", "kind"), FELT)
def test_what_a_trouble_costs_is_the_difference_between_two_whole_runs(name: str, kind: Kind) -> None:
    one = play(kind, name)
    told = lost_kwh(one.run, one.flows, one.happening)
    whole = sum(daily_kwh(one.run.span, w) for w in one.healthy.ac_w.values())
    left = sum(daily_kwh(one.run.span, w) for w in one.flows.ac_w.values())
    np.testing.assert_allclose(told, whole - left, atol=1e-6)
    assert told.sum() > 5.0
    assert np.all(told[: (one.trouble.first_day - one.run.span.first_day).days] == 0.0)


def test_what_is_only_recorded_wrongly_costs_nothing() -> None:
    for name in ("unit_changed", "missing_data", "drifting_clock", "meter_off"):
        one = play(two_inverters, name)
        assert not lost_kwh(one.run, one.flows, one.happening).any()


def log_of(one: Play, export: int = 0) -> tuple[Log, Log]:
    """A log with the trouble, and one without."""
    (ill, well), home = one.said(), one.run.home
    span, effects = one.run.span, one.happening.effects
    return Log(home.exports[export], span, ill, effects), Log(home.exports[export], span, well, ())


def test_a_column_in_another_unit_is_written_out_by_a_thousand() -> None:
    one = play(twin, "unit_changed")
    ill, well = log_of(one)
    column = next(c for c in ill.export.columns if c.quantity == "ac_power")
    rows = np.ones(len(one.run.span) // ill.steps, bool)
    decimal = ill.export.dialect.decimal
    told, true = (
        np.array([float(t.replace(decimal, ".")) for t in log.cells(column, rows).to_pylist()]) for log in (ill, well)
    )
    holds = one.effect.holds(one.run.span)[:: ill.steps]
    np.testing.assert_array_equal(told[~holds], true[~holds])
    assert true[holds].max() > 1000.0
    np.testing.assert_allclose(told[holds], true[holds] / 1000.0, atol=0.0006)


def test_a_stuck_value_is_a_number_of_its_first_day_and_the_register_goes_on() -> None:
    one = play(twin, "stuck_value")
    ill, well = one.said()
    key, holds = (one.effect.subject, one.effect.quantity), one.effect.holds(one.run.span)
    assert np.ptp(ill[key][holds]) == 0.0
    assert ill[key][holds][0] == well[key][np.argmax(holds)] > 0.0
    np.testing.assert_array_equal(ill[key][~holds], well[key][~holds])
    np.testing.assert_array_equal(ill["inverter:inv1", "ac_energy"], well["inverter:inv1", "ac_energy"])


def test_a_dead_channel_reads_zero_while_its_string_works() -> None:
    one = play(twin, "dead_channel")
    ill, well = one.said()
    holds = one.effect.holds(one.run.span)
    assert np.all(ill[one.trouble.subject, "dc_current"][holds] == 0.0)
    for key in ((one.trouble.subject, "dc_voltage"), ("inverter:inv1", "ac_power")):
        np.testing.assert_array_equal(ill[key], well[key])


def test_a_register_begins_at_zero_again() -> None:
    one = play(twin, "register_restarts")
    ill, well = log_of(one)
    column = next(c for c in ill.export.columns if c.reads == "counter")
    told, true = ill.values(column), well.values(column)
    falls = np.flatnonzero(np.diff(told) < 0.0)
    assert len(falls) == len(one.happening.effects)
    assert np.all(told[falls + 1] < 0.5)
    whole = np.delete(np.arange(len(told) - 1), falls)
    np.testing.assert_allclose(np.diff(told)[whole], np.diff(true)[whole], atol=0.011)


def test_a_logger_that_misses_the_clock_change_writes_times_an_hour_off() -> None:
    one = play(twin, "missed_clock_change")
    ill, well = log_of(one)
    starts = one.run.span.starts
    told, true = (np.array(log.times(starts).to_pylist()) for log in (ill, well))
    size = one.effect.sizes(one.run.span)
    wrong, behind = size != 0.0, int(np.rint(size.sum() / np.count_nonzero(size) * STEPS_PER_HOUR))
    assert abs(behind) == STEPS_PER_HOUR
    right = ~(wrong | np.roll(wrong, -1))  # a row that ends as the clock changes already has the wrong time
    np.testing.assert_array_equal(told[right], true[right])
    noon = np.flatnonzero(wrong)[STEPS_PER_DAY:-STEPS_PER_DAY]
    np.testing.assert_array_equal(told[noon], true[noon - behind])
    assert one.run.span.day(int(one.run.span.day_index[np.argmax(wrong)])) == one.trouble.first_day


def test_a_clock_that_missed_the_change_of_autumn_does_not_repeat_the_hour() -> None:
    scene = scene_of(twin, months=10)
    span = Span(date(2025, 9, 1), date(2025, 12, 15), ZONE)
    dialect = scene.home.exports[0].dialect
    local = replace(dialect, zone=ZONE, date_form="%Y-%m-%d", clock_form="%H:%M", joint=" ", tail="", marks="end")
    home = replace(scene.home, exports=(replace(scene.home.exports[0], dialect=local),))
    happening = TROUBLES["missed_clock_change"](replace(scene, home=home, span=span, rng=stream(1, "autumn")))
    night = span.starts[(span.wall >= 1_761_440_400) & (span.wall < 1_761_451_200)]  # 26 October, 1 to 4 on the wall
    told, true = (
        Log(home.exports[0], span, {}, effects).times(night).to_pylist() for effects in (happening.effects, ())
    )
    assert len(set(true)) == len(true) - 11  # 01:05 to 01:55 come twice, as a wall clock has it
    assert told == sorted(set(told))


def test_a_clock_that_runs_away_shifts_the_day_by_as_many_minutes() -> None:
    one = play(twin, "drifting_clock")
    ill, well = log_of(one)
    column = next(c for c in ill.export.columns if c.quantity == "ac_power")
    assert one.trouble.last_day is not None
    n = (one.trouble.last_day - one.run.span.first_day).days
    day = one.run.span.day_index[:: ill.steps] == n
    minutes = 5.0 * np.arange(day.sum())
    told, true = (np.maximum(log.values(column)[day], 0.0) for log in (ill, well))
    later = (told * minutes).sum() / told.sum() - (true * minutes).sum() / true.sum()
    assert later == pytest.approx(float(one.effect.sizes(one.run.span)[one.run.span.day_index == n].mean()), abs=1.5)
    assert abs(later) > 30.0


def test_a_reversed_sensor_swaps_import_and_export_and_a_stray_one_sees_the_house_alone() -> None:
    one = play(metered, "reversed_sensor")
    ill, well = one.said()
    holds, meter = one.effect.holds(one.run.span), "meter:grid1"
    np.testing.assert_allclose(ill[meter, "import_power"][holds], well[meter, "export_power"][holds])
    np.testing.assert_allclose(ill[meter, "export_power"][holds], well[meter, "import_power"][holds])
    np.testing.assert_array_equal(ill[meter, "import_power"][~holds], well[meter, "import_power"][~holds])
    lone = play(alone, "stray_sensor")
    stray, holds = lone.said()[0], lone.effect.holds(lone.run.span)
    assert np.all(stray[meter, "export_energy"][holds] == 0.0)
    np.testing.assert_allclose(stray[meter, "import_energy"][holds] / lone.flows.load_w[holds], 1.0, atol=0.006)


def test_a_meter_that_changes_its_gain_leaves_the_other_where_it_was() -> None:
    one = play(two_inverters, "meter_off")
    ill, well = one.said()
    key = (one.effect.subject, "ac_energy")
    holds = one.effect.holds(one.run.span) & (well[key] > 10.0)
    np.testing.assert_allclose(ill[key][holds] / well[key][holds], 1.0 + one.effect.course[0][1])
    assert 0.03 <= abs(one.effect.course[0][1]) <= 0.08
    for other in (k for k in well if k[1] == "ac_energy" and k != key):
        np.testing.assert_array_equal(ill[other], well[other])


def test_an_export_limit_is_kept_and_what_it_costs_is_told() -> None:
    scene = scene_of(limited)
    weather = weather_at(scene.region, scene.home.place, 0, stream(1, "weather"))
    run = Run(scene.home, scene.span, weather, (), 1)
    flows = flows_of(run)
    assert scene.home.export_limit_w is not None
    fed_in = sum(flows.ac_w.values()) - flows.load_w
    assert fed_in.max() == pytest.approx(scene.home.export_limit_w, abs=0.5)
    free = flows_of(replace(run, home=replace(scene.home, export_limit_w=None)))
    (note,) = [n for n in notes_on(run, flows) if n.cause == "export_limiting"]
    rated = scene.home.converters[0].make.rated_w
    assert free.ac_w["inv1"].max() < rated + 1e-6
    more = daily_kwh(scene.span, free.ac_w["inv1"]) - daily_kwh(scene.span, flows.ac_w["inv1"])
    assert note.lost_kwh >= more.sum() - 0.1 * scene.span.days
    assert more.sum() > 20.0


def test_clipping_costs_what_an_inverter_without_a_limit_would_have_made() -> None:
    one = play(watched, "lost_substring")
    withheld = one.healthy.withheld_w["inv1"]
    rated = one.run.home.converters[0].make.rated_w
    assert np.all(withheld >= 0.0)
    ac = one.healthy.ac_w["inv1"][one.run.weather.sun.lit]
    assert np.all(ac[withheld > 1.0] >= rated - 0.02 * rated)
    assert withheld.sum() > 0.0


def test_snow_lies_on_a_flat_pitch_while_the_air_is_above_three_degrees() -> None:
    scene = scene_of(snowy, months=11)
    weather = weather_at(scene.region, scene.home.place, 0, stream(1, "weather"))
    roof = scene.home.roofs[0]
    lies = snow_on_roof(weather, roof.tilt_deg, scene.home.snow_patience)
    noon = np.flatnonzero(lies & (scene.span.wall % 86400 == 12 * 3600))
    assert (weather.temperature_c[noon] > 3.0).sum() >= 2
    assert lies.sum() > snow_on_roof(weather, roof.tilt_deg).sum()


def test_builders_dust_is_no_trouble_and_goes_with_a_cleaning() -> None:
    one = play(twin, "washed_after_handover")
    assert one.happening.trouble is None
    made = daily_kwh(one.run.span, one.flows.ac_w["inv1"])
    clean = daily_kwh(one.run.span, one.healthy.ac_w["inv1"])
    assert 0.93 < made[:20].sum() / clean[:20].sum() < 0.98
    np.testing.assert_array_equal(made[60:], clean[60:])


@pytest.mark.parametrize(("name", "kind"), [(name, kind) for name, kinds in FITTING for kind in kinds])
def test_every_trouble_can_be_drawn_for_every_home_that_it_fits(name: str, kind: Kind) -> None:
    for seed in (1, 2):
        scene = replace(scene_of(kind, 3), rng=stream(seed, name))
        happening = TROUBLES[name](scene)
        trouble = happening.trouble
        assert trouble is not None
        since_handover = trouble.cause == "energy_imbalance" and trouble.first_day == scene.span.first_day
        assert since_handover or trouble.first_day >= scene.span.first_day + timedelta(days=30)
        assert trouble.first_day <= scene.span.last_day - timedelta(days=3)
        assert trouble.last_day is None or trouble.first_day <= trouble.last_day <= scene.span.last_day
        assert trouble.subject not in trouble.also
        assert happening.effects
        for effect in happening.effects:
            assert effect.holds(scene.span).any() or effect.what == "open"


CAUSES = {
    "failed_string", "underperforming_string", "underperforming_module", "shading_growth", "soiling",
    "inverter_outage", "grid_voltage_trip", "missing_data", "data_fault", "clock_error", "meter_disagreement",
    "energy_imbalance",
}  # fmt: skip


def test_six_fleets_in_a_row_meet_every_trouble_and_half_of_their_homes_are_healthy() -> None:
    roles = [role for seed in range(4, 10) for role in CASTS["every_cause"](seed, 10).roles]
    ill = [(name, role.kind) for role in roles for name in role.happens if name in TROUBLES]
    assert len(ill) == len(roles) // 2
    assert {name for name, _ in ill} == set(TROUBLES) == {name for name, _ in FITTING}
    drawn = (TROUBLES[name](scene_of(kind)).trouble for name, kind in ill)
    assert {trouble.cause for trouble in drawn if trouble is not None} == CAUSES
    assert len({role.kind for role in roles if not set(role.happens) & set(TROUBLES)}) >= 10


def test_each_of_two_troubles_of_a_home_costs_what_the_home_would_make_without_it_alone() -> None:
    scene = scene_of(weathered)
    drawn = [TROUBLES[name](replace(scene, rng=stream(3, name))) for name in ("new_building", "lost_module")]
    weather = weather_at(scene.region, scene.home.place, 0, stream(3, "weather"))
    run = Run(scene.home, scene.span, weather, tuple(e for one in drawn for e in one.effects), 3)
    truth = truth_of(run, flows_of(run), drawn)

    def made(*effects: Effect) -> float:
        return float(daily_kwh(scene.span, flows_of(replace(run, effects=effects)).ac_w["inv1"]).sum())

    both = made(*run.effects)
    assert truth.troubles[0].lost_kwh == pytest.approx(made(*drawn[1].effects) - both)
    assert truth.troubles[1].lost_kwh == pytest.approx(made(*drawn[0].effects) - both)
    assert sum(truth.healthy_kwh[scene.home.id]) == pytest.approx(made())


def test_half_of_the_homes_that_are_shown_are_healthy() -> None:
    for plan, troubles in (("show", 4), ("show_more", 7)):
        roles = CASTS[plan](1, 8).roles
        ill = [set(role.happens) & set(TROUBLES) for role in roles]
        assert sum(map(bool, ill)) == 4
        assert len(set().union(*ill)) == troubles


def test_a_fleet_of_every_cause_is_whole_and_readable(tmp_path: Path) -> None:
    truth = make_fleet(tmp_path, seed=2, last_day=LAST_DAY, months=2, sites=6, cast="every_cause")
    fleet = load_fleet(tmp_path)
    assert fleet.faults == ()
    assert len(fleet.sites) == 6
    assert len(truth.troubles) == 3
    assert set(truth.healthy_kwh) == {site.id for site in fleet.sites}
    troubled = {trouble.site for trouble in truth.troubles}
    for site in fleet.sites:
        for source in site.source:
            path = sorted(tmp_path.glob(source.files))[0]
            read = read_file(path.read_bytes(), name=path.name, source=source)
            assert read.rows > 0
            assert read.rejects == () or site.id in troubled
