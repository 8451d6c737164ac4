"""`aftercare status --rejects`: all that is set aside, so that a person can open the file and look."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
LINES = range(10, 40)  # more than the plain status lists


@pytest.fixture
def spoilt(run: Run, fleet_folder: Path) -> Path:
    """A fleet folder that was ingested: thirty bad cells in a file of one home, a lost column in one of the other."""
    path = fleet_folder / "incoming/larkrise/inv1_20250603.csv"
    rows = path.read_text().splitlines()
    for line in LINES:
        rows[line - 1] = rows[line - 1].split(",")[0] + f",bad{line}"
    path.write_text("\n".join(rows) + "\n")
    other = fleet_folder / "incoming/millbeck/inv1_20250604.csv"
    other.write_text(other.read_text().replace("AC power W", "Output"))
    assert run("ingest", fleet_folder).exit_code == 1
    return fleet_folder


def test_every_reject_is_told_with_its_place(run: Run, spoilt: Path) -> None:
    done = run("status", spoilt, "--rejects")
    assert (done.exit_code, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0] == "larkrise/inv1-log:"
    places = [line.split(": ")[0] for line in lines[1 : 1 + len(LINES)]]
    assert places == [f"  incoming/larkrise/inv1_20250603.csv:{line}" for line in LINES]
    assert all(f": AC power W: 'bad{n}': " in line for n, line in zip(LINES, lines[1:], strict=False))
    assert lines[1 + len(LINES)] == "millbeck/inv1-log:"
    assert len(lines) == len(LINES) + 3
    assert "'AC power W'" in lines[-1]


def test_as_a_document_with_every_part_by_itself(run: Run, spoilt: Path) -> None:
    document = json.loads(run("status", spoilt, "--rejects", "--json").stdout)
    assert (document["schema"], len(document["rejects"])) == (1, len(LINES) + 1)
    first = document["rejects"][0]
    assert first.pop("reason")
    assert first == {
        "site": "larkrise", "source": "inv1-log", "file": "incoming/larkrise/inv1_20250603.csv", "line": LINES[0],
        "field": "AC power W", "text": f"bad{LINES[0]}",
    }  # fmt: skip


def test_of_one_site(run: Run, spoilt: Path) -> None:
    document = json.loads(run("status", spoilt, "--rejects", "--site", "millbeck", "--json").stdout)
    assert [r["site"] for r in document["rejects"]] == ["millbeck"]
    unknown = run("status", spoilt, "--rejects", "--site", "milbeck")
    assert unknown.exit_code == 2
    assert "did you mean millbeck?" in unknown.stderr
    assert run("status", spoilt, "--site", "millbeck").exit_code == 2


def test_the_plain_status_counts_them_all_and_says_how_to_see_them(run: Run, spoilt: Path) -> None:
    told = run("status", spoilt).stdout
    assert f"  and {len(LINES) + 1 - 20} more; --rejects lists them all" in told
    heads, larkrise, millbeck = (line.split() for line in told.split("\n\n")[2].splitlines()[:3])
    assert heads[-4:] == ["aside", "replaced", "last", "taken"]
    assert larkrise[2:6] == ["6", "0", str(len(LINES)), "0"]
    assert millbeck[2:6] == ["6", "1", "1", "0"]


def test_nothing_is_set_aside(run: Run, fleet_folder: Path) -> None:
    assert run("status", fleet_folder, "--rejects").stdout == "nothing is set aside\n"


def test_what_waits_is_what_the_next_pass_takes(run: Run, fleet_folder: Path) -> None:
    incoming = fleet_folder / "incoming/larkrise"

    def waiting() -> list[str]:
        found: list[str] = json.loads(run("status", fleet_folder, "--json").stdout)["waiting"]
        return found

    run("ingest", fleet_folder)
    assert waiting() == []
    text = (incoming / "inv1_20250603.csv").read_text()
    (incoming / "inv1_20250603.csv").write_text(text.replace("12:00:00Z,2800", "12:00:00Z,2700"))  # of the same size
    (incoming / "inv1_new.csv").write_text(text.replace("12:00:00Z,2800", "12:00:00Z,2600"))
    assert waiting() == ["incoming/larkrise/inv1_20250603.csv", "incoming/larkrise/inv1_new.csv"]
    run("ingest", fleet_folder)
    (incoming / "inv1_copy.csv").write_text(text.replace("12:00:00Z,2800", "12:00:00Z,2600"))
    run("ingest", fleet_folder)
    assert waiting() == []
    site = fleet_folder / "sites/larkrise.toml"
    site.write_text(site.read_text().replace('marks = "start"', 'marks = "end"'))
    assert len(waiting()) == 8
    assert run("ingest", fleet_folder).stdout.startswith("8 files taken")
