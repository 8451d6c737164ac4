"""`aftercare check --sample`: what a person and a program see, and that nothing is stored."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
DAY = Path("incoming/larkrise/inv1_20250603.csv")


def test_a_sound_file_is_shown_and_nothing_is_stored(run: Run, fleet_folder: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in fleet_folder.rglob("*")}
    done = run("check", fleet_folder, "--sample", fleet_folder / DAY)
    assert done.exit_code == 0, done.output
    assert done.stderr == ""
    for told in (
        "inv1-log of larkrise (Larkrise Cottage); its files are incoming/larkrise/inv1_*.csv",
        "utf-8, cells between commas, decimal points, header on line 1",
        "96 rows, 96 readings, nothing set aside",
        "2025-06-03 01:00 to 2025-06-04 01:00 Europe/London (2025-06-03 00:00 to 2025-06-04 00:00 UTC)",
        "15 min, as declared; no gaps",
        "inverter:inv1 ac_power [W]",
    ):
        assert told in done.stdout
    assert {path: path.stat().st_mtime_ns for path in fleet_folder.rglob("*")} == before


def test_the_document(run: Run, fleet_folder: Path) -> None:
    done = run("check", fleet_folder, "--sample", DAY, "--json")
    told = json.loads(done.stdout)
    assert (told["schema"], told["site"], told["source"], told["rows"]) == (1, "larkrise", "inv1-log", 96)
    assert told["dialect"]["columns"] == ["time_utc", "AC power W"]
    assert told["readings"][0] == {
        "start": "2025-06-03T00:00:00+00:00", "subject": "inverter:inv1", "quantity": "ac_power", "unit": "W",
        "reads": "mean", "value": 0.0,
    }  # fmt: skip
    assert sum(day["kwh"] for day in told["days"]) == pytest.approx(28.514)
    assert (told["set_aside"], told["hints"], told["columns_absent"]) == ([], [], [])


def test_what_would_be_set_aside_ends_with_one(run: Run, fleet_folder: Path) -> None:
    path = fleet_folder / DAY
    text = path.read_text().replace("2025-06-03T10:00:00Z,", "3 June ten,").replace(
        "2025-06-03T11:00:00Z,", "2025-06-03T11:00:00Z,x"
    )  # fmt: skip
    path.write_text(text)
    done = run("check", fleet_folder, "--sample", DAY)
    assert done.exit_code == 1
    assert "- line 42, time_utc: '3 June ten': not a time; expected ISO 8601 such as" in done.stdout
    assert "- line 46, AC power W: 'x" in done.stdout
    told = json.loads(run("check", fleet_folder, "--sample", DAY, "--json").stdout)
    assert [(one["line"], one["field"]) for one in told["set_aside"]] == [(42, "time_utc"), (46, "AC power W")]


def test_absent_and_undeclared_columns_are_named(run: Run, fleet_folder: Path) -> None:
    path = fleet_folder / DAY
    path.write_text("time_utc,AC power kW,Mode\n2025-06-03T10:00:00Z,1.2,RUN\n")
    done = run("check", fleet_folder, "--sample", DAY)
    assert done.exit_code == 1
    assert "declared, but not in the file: AC power W" in done.stdout
    assert "in the file, but not declared: AC power kW, Mode" in done.stdout


def test_a_file_that_no_source_reads(run: Run, fleet_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "unknown.csv"
    path.write_text("Zeit;Leistung kW\n2025-06-03 10:00;1,2\n")
    done = run("check", fleet_folder, "--sample", path)
    assert done.exit_code == 1
    assert done.stderr == "unknown.csv: no source of this fleet reads it; --draft proposes one\n"
    assert done.stdout == ""


def test_a_draft_is_toml_on_stdout_and_the_rest_on_stderr(run: Run, fleet_folder: Path) -> None:
    done = run("check", fleet_folder, "--sample", DAY, "--draft")
    assert done.exit_code == 0
    (source,) = tomllib.loads(done.stdout)["source"]
    assert source == {
        "id": "inv1", "kind": "table", "files": "incoming/larkrise/inv1_*.csv", "interval_minutes": 15,
        "time": {"column": "time_utc", "zone": "UTC", "marks": "start"},
        "columns": [{"column": "AC power W", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}],
    }  # fmt: skip
    assert done.stderr == (
        "site: larkrise (a folder of the file's path has its name)\n"
        "the lines that stand read 96 rows, 96 readings; 0 set aside\n"
        "no line is left open\n"
    )
    told = json.loads(run("check", fleet_folder, "--sample", DAY, "--draft", "--json").stdout)
    assert (told["site"], told["open_lines"], told["toml"]) == ("larkrise", 0, done.stdout)


def test_no_table_is_no_draft(run: Run, fleet_folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear customer,\nhere is nothing to read.\n")
    done = run("check", fleet_folder, "--sample", path, "--draft")
    assert done.exit_code == 1
    assert done.stderr.startswith("letter.txt: no table was found")
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--sample", "nowhere.csv"], "--sample nowhere.csv: no such file, neither here nor in the fleet folder"),
        (["--sample", DAY, "--site", "larkris"], "site 'larkris': not a site of this fleet; did you mean larkrise?"),
        (["--sample", DAY, "--source", "x"], "--source x: no source with files has this id; expected one of inv1-log"),
        (["--source", "inv1-log"], "--site, --source and --draft go with --sample FILE."),
        (["--draft"], "--site, --source and --draft go with --sample FILE."),
        (["--sample", DAY, "--draft", "--source", "inv1-log"], "--draft proposes a source and takes no --source."),
    ],
)
def test_wrong_words_end_with_two(run: Run, fleet_folder: Path, words: list[str | Path], told: str) -> None:
    done = run("check", fleet_folder, *words)
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stdout == ""
