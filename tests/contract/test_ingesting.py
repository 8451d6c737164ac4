"""What `aftercare ingest` and `assess` promise, on both databases."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from monitor.cli import aftercare
from monitor.cli.shell import Shell
from monitor.config import load_fleet
from monitor.jobs.ingesting import ingest_fleet
from monitor.store import Store
from tests.crashing import NOW, Yard, contents, faults, make_yard

Run = Callable[..., Result]
FILE = "incoming/larkrise/inv1_20250603.csv"


@pytest.fixture
def home(fleet_folder: Path, place: Any) -> Path:
    """The small fleet folder, with the store of this round."""
    url = place.url if place.url.startswith("postgresql") else f"sqlite:///{place.folder}/store.db"
    fleet = fleet_folder / "fleet.toml"
    fleet.write_text(f'{fleet.read_text()}\n[store]\nurl = "{url}"\n')
    return fleet_folder


@pytest.fixture
def run(home: Path, noon_after: int) -> Run:
    """Runs a command over it, with a clock that stands."""

    def run(command: str, *words: str, now: int = noon_after) -> Result:
        shell = Shell(clock=lambda: now)
        return CliRunner().invoke(aftercare, [command, str(home), *words], obj=shell, catch_exceptions=False)

    return run


def kept(home: Path) -> dict[str, list[tuple[Any, ...]]]:
    with closing(Store.open(load_fleet(home).settings.store.url, home)) as store:
        return contents(store)


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def source_counts(run: Run) -> dict[str, Any]:
    found = json.loads(run("status", "--json").stdout)["sources"]
    return {count["site"]: count for count in found}


def test_twice_gives_the_same_store(run: Run, home: Path) -> None:
    first = run("ingest")
    assert (first.exit_code, first.stderr) == (0, "")
    assert first.stdout.startswith("12 files taken, 0 known, 0 waiting, 0 refused, 1152 readings new, 0 pieces")
    before = kept(home)
    assert before["block"]
    assert run("ingest").stdout.startswith("0 files taken, 12 known, 0 waiting, 0 refused, 0 readings new, 0 pieces")
    assert kept(home) == before


def test_overlapping_files_are_one_after_another(run: Run, home: Path) -> None:
    run("ingest")
    days = [(home / f"incoming/larkrise/inv1_2025060{n}.csv").read_text().splitlines() for n in (3, 4)]
    rows = [*days[0][49:], *days[1][1:49]]
    (home / "incoming/larkrise/inv1_both.csv").write_text("\n".join([days[0][0], *rows]) + "\n")
    before = kept(home)["block"]
    assert run("ingest").stdout.startswith("1 files taken, 12 known, 0 waiting, 0 refused, 0 readings new")
    assert kept(home)["block"] == before


def test_the_later_of_two_that_contradict_each_other_wins_and_is_counted(run: Run, home: Path) -> None:
    run("ingest")
    text = (home / FILE).read_text()
    (home / "incoming/larkrise/inv1_20250603b.csv").write_text(text.replace("T12:00:00Z,2800", "T12:00:00Z,2750"))
    assert "1 readings replaced" in run("ingest").stdout
    table = run("yields", "larkrise", "--from", "2025-06-03", "--until", "2025-06-03", "--by", "interval").stdout
    (noon,) = (line.split() for line in table.splitlines() if "12:00:00+00:00" in line)
    assert float(noon[3]) == pytest.approx(2.750 / 4, abs=0.001)
    counts = source_counts(run)
    assert (counts["larkrise"]["conflicts"], counts["millbeck"]["conflicts"]) == (1, 0)


def test_what_is_set_aside_is_told_until_it_is_mended(run: Run, home: Path) -> None:
    edit(home / FILE, "T12:00:00Z,2800", "T12:00:00Z,lots")
    done = run("ingest")
    assert (done.exit_code, done.stderr.split(": ")[0]) == (1, f"{FILE}:50")
    assert run("ingest").exit_code == 0
    rejects = json.loads(run("status", "--rejects", "--json").stdout)["rejects"]
    assert [(r["file"], r["line"], r["field"], r["text"]) for r in rejects] == [(FILE, 50, "AC power W", "lots")]
    assert source_counts(run)["larkrise"]["rejects"] == 1
    edit(home / FILE, "T12:00:00Z,lots", "T12:00:00Z,2800")
    assert run("ingest").stdout.startswith("1 files taken, 11 known, 0 waiting, 0 refused, 1 readings new")
    assert run("status", "--rejects").stdout == "nothing is set aside\n"


def test_a_mended_configuration_takes_what_it_had_refused(run: Run, home: Path) -> None:
    site = home / "sites/larkrise.toml"
    good = site.read_text()
    site.write_text(good.replace('column = "AC power W"', 'column = "Output"'))
    assert run("ingest").stdout.startswith("6 files taken, 0 known, 0 waiting, 6 refused, 576 readings new")
    assert len(json.loads(run("status", "--rejects", "--json").stdout)["rejects"]) == 6
    site.write_text(good)
    assert run("ingest").stdout.startswith("6 files taken, 6 known, 0 waiting, 0 refused, 576 readings new")
    assert run("status", "--rejects").stdout == "nothing is set aside\n"
    assert source_counts(run)["larkrise"]["refused"] == 0


def test_a_corrected_file_sends_its_nights_back(run: Run, home: Path) -> None:
    run("ingest")
    first = run("assess")
    assert first.exit_code == 0
    assert "0 site-nights" in run("assess").stdout
    edit(home / FILE, "T12:00:00Z,2800", "T12:00:00Z,2700")
    run("ingest")
    again = run("assess").stdout
    assert "site-nights" in again
    assert "0 site-nights" not in again
    assert "0 site-nights" in run("assess").stdout


@pytest.fixture
def yard(place: Any, tmp_path: Path) -> Yard:
    return make_yard(tmp_path / "yard", place.url, homes=2, days=8, seed=5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_in_whatever_order_and_passes_files_come(store: Store, yard: Yard, seed: int) -> None:
    chance = random.Random(seed)
    exports = list(yard.exports.values())
    for export in exports:
        (yard.folder / export.path).unlink()
    chance.shuffle(exports)
    fleet = load_fleet(yard.folder)
    while exports:
        for _ in range(chance.randint(1, 8)):
            if exports:
                export = exports.pop()
                (yard.folder / export.path).write_text(export.text)
        assert ingest_fleet(fleet, store, now=NOW).failed == ()
        assert faults(yard, store) == []
