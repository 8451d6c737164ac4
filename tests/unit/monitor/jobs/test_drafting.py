"""A draft reads its file as the true source does, in all columns that it decides; what it cannot know stays open."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from ingest.errors import ConfigurationError, InputError
from ingest.readers import read_file
from ingest.readings import Channel, ReadResult
from ingest.sources import FileSource
from monitor.config import Site, load_fleet
from monitor.demo.casts import show
from monitor.demo.fleet import ZONE, draw_homes, write_home
from monitor.demo.site_file import write_fleet_file, write_layouts, write_site_file
from monitor.demo.span import Span
from monitor.demo.weather import draw_region
from monitor.jobs.drafting import draft_for, parse_draft, site_for, try_draft
from monitor.jobs.sample_file import open_sample

SAMPLES = Path(__file__).parents[4] / "sample_data"
NOW = int(datetime(2026, 12, 1, tzinfo=UTC).timestamp())
SITE = """
[fleet]
name = "Testing Roofs"
timezone = "Europe/London"
"""
# Half an interval or one: what `marks` is, a file seldom proves, and the draft says "proposed" then.
MARKS = "# marks: proposed"

Readings = dict[Channel, tuple[list[int], list[float]]]


def readings(result: ReadResult) -> Readings:
    """Every channel's times and values."""
    found: Readings = {}
    for table in result.tables:
        for channel, values in table.columns.items():
            known = ~np.isnan(values)
            found[channel] = (table.starts[known].tolist(), values[known].tolist())
    return found


def wrong(toml: str, drafted: Readings, true: Readings) -> list[str]:
    """What the draft decided and the true source has otherwise."""
    faults = []
    for channel, (times, values) in drafted.items():
        if channel not in true:
            faults.append(f"{channel} is not in the file")
            continue
        shifts = {a - b for a, b in zip(times, true[channel][0], strict=True)}
        if values != true[channel][1]:
            faults.append(f"{channel}: other values")
        elif shifts != {0} and not (len(shifts) == 1 and MARKS in toml):
            faults.append(f"{channel}: other times, {shifts}")
    return faults


def sample_sources() -> dict[str, FileSource]:
    given = tomllib.loads((SAMPLES / "sources.toml").read_text("utf-8"))["source"]
    return {one["files"]: TypeAdapter(FileSource).validate_python(one) for one in given if one["kind"] != "modbus_tcp"}


@pytest.fixture
def workshop(tmp_path: Path) -> Path:
    """A fleet folder with the one site that the sample files speak of."""
    rookcote = tomllib.loads((SAMPLES / "demo_home/sites/rookcote.toml").read_text())
    assert {s["id"] for s in rookcote["string"]} == {"s1", "s2"}
    text = (SAMPLES / "demo_home/sites/rookcote.toml").read_text().split("[[source]]")[0]
    meter = '[[meter]]\nid = "gen1"\nrole = "generation"\ninverter = "inv1"\n'
    (tmp_path / "sites").mkdir()
    (tmp_path / "fleet.toml").write_text(SITE)
    (tmp_path / "sites/rookcote.toml").write_text(text + meter)
    return tmp_path


# Not drafted; the refusal says what to do.
ROW_A_DAY = "half_hours_across.csv"


def test_a_table_with_a_row_a_day_is_left_to_the_person(workshop: Path) -> None:
    fleet = load_fleet(workshop)
    with pytest.raises(InputError, match=r"line 2 heads 48 columns with clock times.*describe the source with across"):
        draft_for(open_sample(fleet, SAMPLES / ROW_A_DAY), fleet.sites[0], now=NOW)


@pytest.mark.parametrize("name", sorted(sample_sources().keys() - {ROW_A_DAY}))
def test_nothing_wrong_is_decided_about_a_sample_file(workshop: Path, name: str) -> None:
    fleet = load_fleet(workshop)
    file = open_sample(fleet, SAMPLES / name)
    found = draft_for(file, fleet.sites[0], now=NOW)
    true = readings(read_file(file.head(), name=name, source=sample_sources()[name]))
    try:
        source = parse_draft(found)
    except ConfigurationError:
        assert found.open_lines
        return
    drafted = readings(read_file(file.head(), name=name, source=source))
    assert not wrong(found.toml, drafted, true)


def test_what_the_sample_files_prove_is_decided(workshop: Path) -> None:
    """The others leave open which part a register is of, which zone, or what a register means."""
    fleet = load_fleet(workshop)
    whole = {
        name
        for name in sample_sources().keys() - {ROW_A_DAY}
        if not draft_for(open_sample(fleet, SAMPLES / name), fleet.sites[0], now=NOW).open_lines
    }
    assert whole >= {"clock_back_autumn.csv", "clock_forward_spring.csv", "modules_long.csv"}


def write_week(folder: Path, seed: int) -> None:
    """An invented fleet of six homes, each with its own layout."""
    span = Span(date(2026, 6, 13), date(2026, 6, 20), ZONE)
    homes = draw_homes(seed, span, show(seed, 6).roles)
    write_fleet_file(folder, "Week Roof Works", ZONE)
    write_layouts(folder, homes)
    region = draw_region(span, [home.place for home in homes], seed)
    for number, home in enumerate(homes):
        write_site_file(folder, home, ZONE)
        write_home(folder, seed, region, number, home)


def test_drafts_of_demo_exports_read_what_the_true_sources_read(tmp_path: Path) -> None:
    """Every layout of the invented fleets: no column wrong, and at least nine tenths of the tables' columns decided."""
    write_week(tmp_path, seed=2)
    fleet, faults, columns, decided = load_fleet(tmp_path), [], 0, 0
    for site in fleet.sites:
        for source in site.source:
            assert source.kind != "modbus_tcp"
            path = sorted(tmp_path.glob(source.files))[-1]
            file = open_sample(fleet, path)
            found = draft_for(file, site, now=NOW)
            true = readings(read_file(file.head(), name=file.name, source=source))
            if source.kind == "registers":
                assert found.open_lines, "a dump tells no meanings"
                continue
            columns += len(true)
            try:
                drafted = readings(read_file(file.head(), name=file.name, source=parse_draft(found)))
            except ConfigurationError:
                continue
            decided += len(drafted)
            faults += [f"{file.name}: {fault}" for fault in wrong(found.toml, drafted, true)]
    assert not faults
    assert decided >= 0.9 * columns


def test_the_site_is_known_by_the_folder_or_because_it_is_the_only_one(
    workshop: Path, fleet_folder: Path, tmp_path: Path
) -> None:
    one, two = load_fleet(workshop), load_fleet(fleet_folder)
    lone = tmp_path / "a.csv"
    lone.write_text("x")
    inside = fleet_folder / "incoming/millbeck/inv1_20250601.csv"
    assert _site_id(site_for(one, open_sample(one, lone), None)) == "rookcote"
    assert _site_id(site_for(two, open_sample(two, inside), None)) == "millbeck"
    assert _site_id(site_for(two, open_sample(two, inside), "larkrise")) == "larkrise"
    assert _site_id(site_for(two, open_sample(two, lone), None)) is None


def _site_id(found: tuple[Site | None, str]) -> str | None:
    return found[0].id if found[0] is not None else None


def test_a_draft_with_an_open_time_is_no_source(workshop: Path, tmp_path: Path) -> None:
    """Neither silently nor by default: the key that nobody decided is missing, and said to be."""
    path = tmp_path / "log.csv"
    path.write_text("Time;Vac\n" + "".join(f"01/02/2026 {h:02d}:00;{230 + h % 5}\n" for h in range(24)))
    fleet = load_fleet(workshop)
    file = open_sample(fleet, path)
    found = draft_for(file, fleet.sites[0], now=NOW)
    assert '#? time = { column = "Time", zone = "Europe/London", format = "%d/%m/%Y %H:%M"' in found.toml
    assert '#? time = { column = "Time", zone = "Europe/London", format = "%m/%d/%Y %H:%M"' in found.toml
    with pytest.raises(ConfigurationError, match="time: missing"):
        parse_draft(found)
    assert "as it stands the draft reads nothing: time" in try_draft(file, found, fleet.sites[0], now=NOW)


def test_a_zone_that_nothing_tells_is_left_open(workshop: Path, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Time;Vac\n" + "".join(f"2026-06-13 {h:02d}:00;{230 + h % 5}\n" for h in range(24)))
    fleet = load_fleet(workshop)
    found = draft_for(open_sample(fleet, path), fleet.sites[0], now=NOW)
    assert '#? time = { column = "Time", zone = "Europe/London"' in found.toml
    assert '#? time = { column = "Time", zone = "UTC"' in found.toml


def test_a_dump_with_the_marker_of_the_open_model_chain(workshop: Path, tmp_path: Path) -> None:
    words = {40000: "0x5375", 40001: "0x6E53", 40002: "1", 40003: "66"}
    rows = "".join(f"2026-06-13T{h:02d}:00:00Z,1,{a},{w}\n" for h in range(4) for a, w in words.items())
    (tmp_path / "dump.csv").write_text("polled_at,unit,address,word\n" + rows)
    fleet = load_fleet(workshop)
    found = draft_for(open_sample(fleet, tmp_path / "dump.csv"), fleet.sites[0], now=NOW)
    source = tomllib.loads(found.toml)["source"][0]
    assert (source["kind"], source["model"], source["interval_minutes"]) == ("registers", "sunspec", 60)
