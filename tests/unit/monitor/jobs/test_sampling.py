"""How one file would be read: claimed by whom, with which figures, and what looks wrong in it."""

from __future__ import annotations

import gzip
import re
import tomllib
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from ingest.readings import Channel, Table
from ingest.sources import TableSource
from monitor.config import Fleet, Site, load_fleet
from monitor.jobs.sample_figures import day_energies, span_of
from monitor.jobs.sample_file import open_sample
from monitor.jobs.sampling import Claim, Sample, claim_of, pick_sources, read_sample
from monitor.model.sun import sun_position

LONDON = ZoneInfo("Europe/London")
NOW = int(datetime(2026, 12, 1, tzinfo=UTC).timestamp())
COUNTER = Channel("meter:gen1", "ac_energy", "counter", "Wh")
POWER = Channel("inverter:inv1", "ac_power", "mean", "kW")
HOUR = 3600
SITE_PATH = Path(__file__).parents[4] / "config/fleet/sites/larkrise.toml"


def test_a_power_is_integrated_over_the_local_day() -> None:
    """48 half-hours of 2 kW from 23:00 UTC of the day before: in June that is one local day of 48 kWh."""
    first = int(datetime(2026, 6, 9, 23, tzinfo=UTC).timestamp())
    table = Table(np.arange(48) * 1800 + first, {POWER: np.full(48, 2.0)})
    (energy,) = day_energies([table], LONDON, interval_s=1800)
    assert energy.kwh == pytest.approx({date(2026, 6, 10): 48.0})


def test_a_counters_steps_stand_on_their_days_and_those_across_a_gap_on_none() -> None:
    hours = np.array([10, 11, 12, 36, 37])
    start = int(datetime(2026, 1, 5, tzinfo=UTC).timestamp())
    register = np.array([100.0, 600.0, 1100.0, 9100.0, 9600.0])
    (energy,) = day_energies([Table(start + hours * HOUR, {COUNTER: register})], LONDON, interval_s=HOUR)
    assert energy.kwh == pytest.approx({date(2026, 1, 5): 1.0, date(2026, 1, 6): 0.5})
    assert energy.unplaced_kwh == pytest.approx(8.0)
    assert energy.total_kwh == pytest.approx(9.5)


def test_steps_and_gaps_of_a_span() -> None:
    table = Table(np.array([0, 900, 1800, 7200, 8100]), {POWER: np.ones(5)})
    span = span_of([table], interval_s=900)
    assert span is not None
    assert (span.step_s, span.regular, span.gaps, span.longest_gap_s) == (900, 3, 1, 5400)
    assert (span.first, span.last) == (0, 9000)


@pytest.fixture
def fleet(fleet_folder: Path) -> Fleet:
    """Two homes with a source of one layout each."""
    return load_fleet(fleet_folder)


def test_the_pattern_that_holds_the_file_claims_it(fleet: Fleet) -> None:
    file = open_sample(fleet, Path("incoming/millbeck/inv1_20250603.csv"))
    claim = claim_of(fleet, file, pick_sources(fleet, None, None), asked=False)
    assert claim is not None
    assert (claim.site.id, claim.others) == ("millbeck", ())
    assert claim.why == "its files are incoming/millbeck/inv1_*.csv"


def test_a_file_from_elsewhere_is_claimed_by_its_columns(fleet: Fleet, fleet_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "sent.csv"
    path.write_bytes((fleet_folder / "incoming/millbeck/inv1_20250603.csv").read_bytes())
    file = open_sample(fleet, path)
    claim = claim_of(fleet, file, pick_sources(fleet, None, None), asked=False)
    assert claim is not None
    assert (claim.site.id, claim.others) == ("larkrise", ("millbeck/inv1-log",))
    chosen = claim_of(fleet, file, pick_sources(fleet, "millbeck", None), asked=False)
    assert chosen is not None
    assert chosen.site.id == "millbeck"


def test_a_file_of_other_columns_is_claimed_by_nobody_unless_asked(fleet: Fleet, tmp_path: Path) -> None:
    path = tmp_path / "other.csv"
    path.write_text("Zeit;Leistung\n2025-06-03 10:00;5\n")
    file = open_sample(fleet, path)
    assert claim_of(fleet, file, pick_sources(fleet, None, None), asked=False) is None
    claim = claim_of(fleet, file, pick_sources(fleet, "larkrise", "inv1-log"), asked=True)
    assert claim is not None
    assert claim.why.startswith("asked for; the file does not fit")


@pytest.mark.parametrize("packing", ["gzip", "zip"])
def test_a_packed_file_is_read_as_the_plain_one(fleet: Fleet, fleet_folder: Path, tmp_path: Path, packing: str) -> None:
    plain = fleet_folder / "incoming/millbeck/inv1_20250603.csv"
    path = tmp_path / f"sent.{packing}"
    if packing == "gzip":
        path.write_bytes(gzip.compress(plain.read_bytes()))
    else:
        with zipfile.ZipFile(path, "w") as archive:
            for day in ("20250603", "20250604"):
                archive.write(plain.with_name(f"inv1_{day}.csv"), f"inv1_{day}.csv")
    file = open_sample(fleet, path)
    claim = claim_of(fleet, file, pick_sources(fleet, "millbeck", None), asked=False)
    assert claim is not None
    sample = read_sample(file, claim, now=NOW)
    days = 1 if packing == "gzip" else 2
    assert sample.result.rows == 96 * days
    assert sum(kwh > 1 for kwh in sample.days[0].kwh.values()) == days


# ---- hints: one file for each, read by a source that is wrong in one way -----------------------------------------

DAYS = 4
QUARTERS = np.arange(DAYS * 96)
MIDDLES = int(datetime(2026, 6, 12, tzinfo=UTC).timestamp()) + QUARTERS * 900 + 450
SUN = sun_position(MIDDLES, latitude=52.1, longitude=-2.3, altitude_m=60).cos_zenith
POWER_W = np.round(3000 * SUN)
COUNTER_KWH = np.round(800 + np.cumsum(POWER_W) / 4000, 2)
AC = {"column": "P", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}
ENERGY = {"column": "E", "quantity": "ac_energy", "of": "inverter:inv1", "unit": "kWh", "reads": "counter"}
Read = Callable[..., Sample]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Read columns of quarter-hours from midnight UTC, 12 June 2026, by a source at the example's home."""
    given = tomllib.loads(SITE_PATH.read_text())
    given["source"] = []
    given.pop("battery")
    given["meter"] = [{"id": "grid", "role": "grid"}]
    site = Site.model_validate(given)

    def read(
        columns: list[dict[str, str]], *, zone: str = "UTC", minutes: int = 15, stamps: Any = None, **values: Any
    ) -> Sample:
        first = datetime(2026, 6, 12)
        texts = (
            [f"{first + timedelta(minutes=15 * int(q)):%Y-%m-%d %H:%M}" for q in QUARTERS] if stamps is None else stamps
        )
        rows = [
            "t," + ",".join(values),
            *(",".join(map(str, row)) for row in zip(texts, *values.values(), strict=True)),
        ]
        path = tmp_path / "log.csv"
        path.write_text("\n".join(rows) + "\n")
        source = TableSource.model_validate(
            {"id": "log", "kind": "table", "files": "log.csv", "interval_minutes": minutes,
             "time": {"column": "t", "zone": zone}, "columns": columns}
        )  # fmt: skip
        (tmp_path / "fleet.toml").touch()
        fleet = Fleet(folder=tmp_path, settings=None, sites=(site,))  # type: ignore[arg-type]
        return read_sample(open_sample(fleet, path), Claim(site, source, ""), now=NOW)

    return read


def told(sample: Sample, kind: str) -> str:
    """The one hint of a kind, and no other."""
    assert [hint.kind for hint in sample.hints] == [kind], sample.hints
    return sample.hints[0].text


def test_a_sound_file_gives_no_hint(read: Read) -> None:
    sample = read([AC, ENERGY], P=POWER_W, E=COUNTER_KWH)
    assert sample.hints == ()
    assert sample.all_read


def test_a_unit_wrong_by_a_thousand(read: Read) -> None:
    assert "is the unit W and not kW?" in told(read([AC | {"unit": "kW"}], P=POWER_W), "unit")
    assert "is the unit kW and not W?" in told(read([AC], P=POWER_W / 1000), "unit")
    both = read([AC, ENERGY | {"unit": "Wh"}], P=POWER_W, E=COUNTER_KWH)
    assert {hint.kind for hint in both.hints} == {"unit", "disagreement"}
    assert any("one of the units is wrong by 1000" in hint.text for hint in both.hints)


def test_a_zone_that_is_wrong_by_an_hour(read: Read) -> None:
    text = told(read([AC], zone="Europe/London", P=POWER_W), "clock")
    minutes = re.search(r"against the sun its times are about (\d+) min too early", text)
    assert minutes is not None
    assert abs(int(minutes[1]) - 60) <= 15
    assert "Europe/London" in text


def test_light_at_night(read: Read) -> None:
    text = told(read([AC], P=np.roll(POWER_W, 48)), "clock")
    assert re.search(
        r"4\d% of the rows with light are at night; against the sun its times are about 1[12](\.\d)? h too", text
    )


def test_another_interval_than_declared(read: Read) -> None:
    assert "most rows stand 15 min apart, but the source says interval_minutes = 5" in told(
        read([AC], minutes=5, P=POWER_W), "interval"
    )


def test_counter_and_interval_changed_over(read: Read) -> None:
    as_interval = read([ENERGY | {"reads": "interval"}], E=COUNTER_KWH - 800)
    assert any("it looks like a counter (reads = 'counter')" in h.text for h in as_interval.hints if h.kind == "reads")
    as_counter = read([ENERGY], E=POWER_W / 4000)
    assert any("(reads = 'interval')" in h.text for h in as_counter.hints if h.kind == "reads")
    as_power = read([AC], P=COUNTER_KWH - 800)
    assert any("a counter of energy" in h.text for h in as_power.hints if h.kind == "reads")


def test_a_counter_that_starts_anew_every_day(read: Read) -> None:
    daily = np.concatenate([np.cumsum(day) for day in np.split(POWER_W / 4000, DAYS)])
    text = told(read([ENERGY], E=np.round(daily, 2)), "counter_reset")
    assert "no energy is lost; it starts anew every day" in text


def test_a_counter_that_falls_to_nowhere(read: Read) -> None:
    register = COUNTER_KWH.copy()
    register[200:] -= 300
    text = told(read([ENERGY], E=register), "counter_falls")
    assert "1 cannot be explained" in text
    assert "at 2026-06-14 03:" in text


def test_import_and_export_changed_over(read: Read) -> None:
    columns = [
        {"column": "A", "quantity": "export_power", "of": "meter:grid", "unit": "W"},
        {"column": "B", "quantity": "import_power", "of": "meter:grid", "unit": "W"},
    ]
    night = np.where(SUN > 0, 0.0, 250.0)
    assert "changed over" in told(read(columns, A=night, B=POWER_W), "direction")
    assert read(columns, A=POWER_W, B=night).hints == ()


def civil(first: datetime, days: int, zone: str) -> list[str]:
    """Quarter-hours as a clock shows them: of a zone, or the same distance apart all the time."""
    start = first.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    steps = (start + timedelta(minutes=15 * n) for n in range(days * 96))
    return [f"{step.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}" for step in steps]


def test_a_fixed_offset_read_in_civil_time(read: Read) -> None:
    """Four rows in the hour that the clocks skip, and 96 rows on the day of 25 hours."""
    zeros = np.zeros(DAYS * 96)
    volts = [{"column": "V", "quantity": "ac_voltage", "of": "inverter:inv1", "unit": "V"}]
    spring = civil(datetime(2026, 3, 28), DAYS, "UTC")
    sample = read(volts, zone="Europe/London", stamps=spring, V=zeros + 230)
    assert "4 rows at times of 2026-03-29 that do not exist there" in told(sample, "clock_change")
    autumn = civil(datetime(2026, 10, 23), DAYS, "UTC")
    sample = read(volts, zone="Europe/London", stamps=autumn, V=zeros + 230)
    assert "96 rows on 2026-10-25, which has room for 100" in told(sample, "clock_change")


def test_civil_time_read_in_a_fixed_offset(read: Read) -> None:
    volts = [{"column": "V", "quantity": "ac_voltage", "of": "inverter:inv1", "unit": "V"}]
    spring = civil(datetime(2026, 3, 28), DAYS, "Europe/London")
    sample = read(volts, zone="UTC", stamps=spring, V=np.full(DAYS * 96, 230.0))
    text = told(sample, "clock_change")
    assert "the hour from 01:00 on 2026-03-29 is missing" in text
    assert "may be in Europe/London and not in UTC" in text
    autumn = civil(datetime(2026, 10, 23), DAYS, "Europe/London")
    sample = read(volts, zone="UTC", stamps=autumn, V=np.full(DAYS * 96, 230.0))
    assert "a day on which the clocks go back" in told(sample, "clock_change")


def test_sound_days_of_clock_change_give_no_hint(read: Read) -> None:
    volts = [{"column": "V", "quantity": "ac_voltage", "of": "inverter:inv1", "unit": "V"}]
    for first in (datetime(2026, 3, 28), datetime(2026, 10, 23)):
        stamps = civil(first, DAYS, "Europe/London")
        assert read(volts, zone="Europe/London", stamps=stamps, V=np.full(DAYS * 96, 230.0)).hints == ()
        stamps = civil(first, DAYS, "UTC")
        assert read(volts, zone="UTC", stamps=stamps, V=np.full(DAYS * 96, 230.0)).hints == ()
