"""`aftercare ingest`: what is taken, what is set aside, and how that is told."""

from __future__ import annotations

import json
import os
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
FILE = "incoming/larkrise/inv1_20250603.csv"


def contents(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table but the notes of runs, which are about the runs."""
    with closing(sqlite3.connect(folder / "aftercare.db")) as conn:
        tables = [name for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: sorted(conn.execute(f"SELECT * FROM {name}"), key=repr) for name in tables if name != "job_run"}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_twice_gives_the_same_store(run: Run, fleet_folder: Path) -> None:
    first = run("ingest", fleet_folder)
    assert (first.exit_code, first.stderr) == (0, "")
    assert first.stdout == "12 files taken, 0 known, 0 waiting, 0 refused, 1152 readings new, 0 pieces set aside\n"
    before = contents(fleet_folder)
    second = run("ingest", fleet_folder)
    assert second.stdout == "0 files taken, 12 known, 0 waiting, 0 refused, 0 readings new, 0 pieces set aside\n"
    assert contents(fleet_folder) == before
    assert before["block"]


def test_a_bad_cell_is_set_aside_once_and_told(run: Run, fleet_folder: Path) -> None:
    edit(fleet_folder / FILE, "2025-06-03T12:00:00Z,2800", "2025-06-03T12:00:00Z,lots")
    done = run("ingest", fleet_folder)
    assert done.exit_code == 1
    assert done.stderr.startswith(f"{FILE}:50: AC power W: 'lots': ")
    assert "1151 readings new, 1 pieces set aside" in done.stdout
    assert run("ingest", fleet_folder).exit_code == 0
    assert "AC power W: 'lots'" in run("status", fleet_folder).stdout


def test_json_is_one_document_and_messages_go_elsewhere(run: Run, fleet_folder: Path) -> None:
    edit(fleet_folder / FILE, "2025-06-03T12:00:00Z,2800", "2025-06-03T12:00:00Z,lots")
    done = run("ingest", fleet_folder, "--json")
    document = json.loads(done.stdout)
    assert (document["schema"], document["files_taken"], document["set_aside"]) == (1, 12, 1)
    assert "lots" in done.stderr


def test_a_file_without_its_column_is_refused_and_the_rest_goes_on(run: Run, fleet_folder: Path) -> None:
    edit(fleet_folder / FILE, "AC power W", "Output")
    done = run("ingest", fleet_folder)
    assert done.exit_code == 1
    assert "11 files taken, 0 known, 0 waiting, 1 refused" in done.stdout
    assert f"{FILE}" in done.stderr
    assert "'AC power W'" in done.stderr or "AC power W" in done.stderr


def test_a_corrected_file_takes_the_place_of_the_refused_one(run: Run, fleet_folder: Path) -> None:
    path = fleet_folder / FILE
    good = path.read_text()
    path.write_text(good.replace("AC power W", "Output"))
    run("ingest", fleet_folder)
    path.write_text(good)
    assert run("ingest", fleet_folder).stdout.startswith("1 files taken, 11 known")
    standing = json.loads(run("status", fleet_folder, "--json").stdout)
    assert (standing["refused"], standing["rejects"]) == ([], [])


def test_only_the_named_files(run: Run, fleet_folder: Path) -> None:
    done = run("ingest", fleet_folder, FILE)
    assert (done.exit_code, done.stdout.split(",")[0]) == (0, "1 files taken")


def test_a_file_of_no_source_names_the_patterns(run: Run, fleet_folder: Path) -> None:
    stray = fleet_folder / "stray.csv"
    stray.write_text("a,b\n")
    done = run("ingest", fleet_folder, stray, FILE)
    assert done.exit_code == 2
    assert done.stderr == (
        f"{stray}: fits the files of no source; expected one of "
        f"incoming/larkrise/inv1_*.csv, incoming/millbeck/inv1_*.csv in {fleet_folder}\n"
    )
    assert "block" not in contents(fleet_folder) or not contents(fleet_folder)["block"]


def test_a_named_file_that_is_not_there(run: Run, fleet_folder: Path) -> None:
    done = run("ingest", fleet_folder, "incoming/none.csv")
    assert done.exit_code == 2
    assert done.stderr.startswith("incoming/none.csv: no such file, neither here nor in the fleet folder")


def test_times_that_cannot_be_are_set_aside(run: Run, fleet_folder: Path, write_day: Callable[[date], str]) -> None:
    incoming = fleet_folder / "incoming/larkrise"
    (incoming / "inv1_early.csv").write_text(write_day(date(2025, 5, 20)))
    (incoming / "inv1_late.csv").write_text(write_day(date(2025, 7, 1)))
    done = run("ingest", fleet_folder)
    assert done.exit_code == 1
    assert "12 files taken, 0 known, 0 waiting, 2 refused, 1152 readings new" in done.stdout
    assert (
        "inv1_early.csv: time: '2025-05-20 00:00 UTC': 96 times lie before 2025-05-30 23:00 UTC, "
        "the day before the site was commissioned"
    ) in done.stderr
    assert "inv1_late.csv: time: '2025-07-01 00:00 UTC': 96 times lie after 2025-06-09 12:00 UTC" in done.stderr


def test_what_was_set_aside_is_taken_once_the_site_file_is_mended(run: Run, fleet_folder: Path) -> None:
    site = fleet_folder / "sites/larkrise.toml"
    edit(site, "commissioned = 2025-06-01", "commissioned = 2025-06-05")
    edit(site, 'column = "AC power W"', 'column = "Power"')
    first = run("ingest", fleet_folder)
    assert (first.exit_code, first.stderr.count("there is no column 'Power'")) == (1, 6)
    edit(site, 'column = "Power"', 'column = "AC power W"')
    second = run("ingest", fleet_folder)
    assert second.exit_code == 1
    assert "4 files taken, 6 known, 0 waiting, 2 refused, 292 readings new" in second.stdout
    assert second.stderr.count("the day before the site was commissioned") == 3
    edit(site, "commissioned = 2025-06-05", "commissioned = 2025-06-01")
    third = run("ingest", fleet_folder)
    assert (third.exit_code, third.stderr) == (0, "")
    assert "6 files taken, 6 known, 0 waiting, 0 refused, 284 readings new, 0 pieces set aside" in third.stdout
    standing = json.loads(run("status", fleet_folder, "--json").stdout)
    assert (standing["refused"], standing["rejects"]) == ([], [])


def test_an_archive_tells_its_members(run: Run, fleet_folder: Path, write_day: Callable[[date], str]) -> None:
    day = write_day(date(2025, 6, 7))
    with zipfile.ZipFile(fleet_folder / "incoming/larkrise/inv1_0607.csv", "w") as archive:
        archive.writestr("good.csv", day + day.splitlines()[1] + "\n")
        archive.writestr("bad.csv", day.replace(",2800", ",lots"))
    done = run("ingest", fleet_folder)
    member = "incoming/larkrise/inv1_0607.csv/bad.csv:50"
    assert done.stderr == (
        f"{member}: AC power W: 'lots': not a number\nincoming/larkrise/inv1_0607.csv/good.csv: 1 rows repeat a time\n"
    )
    assert f"{member}: AC power W: 'lots': not a number" in run("status", fleet_folder).stdout


def test_a_refused_file_that_is_gone_is_listed_no_more(run: Run, fleet_folder: Path) -> None:
    path = fleet_folder / "incoming/larkrise/inv1_note.csv"
    path.write_text("to whom it may concern\n")
    run("ingest", fleet_folder)
    assert "inv1_note.csv" in run("status", fleet_folder).stdout
    path.unlink()
    assert run("ingest", fleet_folder).stdout.endswith("0 pieces set aside, 1 refused files gone\n")
    assert "inv1_note.csv" not in run("status", fleet_folder).stdout


def test_a_pipe_in_the_folder_is_refused_and_holds_nobody_up(run: Run, fleet_folder: Path) -> None:
    os.mkfifo(fleet_folder / "incoming/larkrise/inv1_pipe.csv")
    done = run("ingest", fleet_folder)
    assert done.exit_code == 1
    assert "inv1_pipe.csv: not a regular file but a pipe, a socket or a device" in done.stderr
    assert "12 files taken, 0 known, 0 waiting, 1 refused" in done.stdout


def test_an_error_in_a_reader_costs_one_file(run: Run, fleet_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.jobs import reading, taking

    real = reading.read_content

    def stumble_over_all(files, source):  # type: ignore[no-untyped-def]
        raise ZeroDivisionError("by chance")

    def stumble(content, source):  # type: ignore[no-untyped-def]
        if content.arrival.path == FILE:
            raise ZeroDivisionError("by chance")
        return real(content, source)

    monkeypatch.setattr(taking, "read_alike", stumble_over_all)
    monkeypatch.setattr(reading, "read_content", stumble)
    done = run("ingest", fleet_folder)
    assert done.exit_code == 1
    assert done.stderr == f"{FILE}: could not be read: ZeroDivisionError: by chance\n"
    assert done.stdout.startswith("11 files taken")
    monkeypatch.undo()
    assert run("ingest", fleet_folder).stdout.startswith("1 files taken, 11 known")


def test_a_file_that_the_store_cannot_keep_costs_one_file(
    run: Run, fleet_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.jobs import taking

    real = taking.merge_files

    def stumble(conn, files, **rest):  # type: ignore[no-untyped-def]
        if any(t.starts[0] == 1748908800 for f in files for t in f.tables if f.site == "larkrise"):
            raise ZeroDivisionError("by chance")
        return real(conn, files, **rest)

    monkeypatch.setattr(taking, "merge_files", stumble)
    done = run("ingest", fleet_folder)
    assert done.stderr == f"{FILE}: could not be kept: ZeroDivisionError: by chance\n"
    assert done.stdout.startswith("11 files taken")
