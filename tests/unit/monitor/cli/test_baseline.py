"""`aftercare baseline`: what it prints and writes, and how it ends."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]


@pytest.fixture
def assessed(run: Run, fleet_folder: Path) -> Path:
    """A fleet of a few clear days, which is no baseline yet."""
    assert run("ingest", fleet_folder).exit_code == 0
    assert run("assess", fleet_folder).exit_code == 0
    return fleet_folder


def test_a_young_site_says_learning_and_gives_what_it_can(run: Run, assessed: Path) -> None:
    result = run("baseline", assessed, "larkrise")
    assert result.exit_code == 0
    text = " ".join(result.stdout.split())
    assert text.startswith("Larkrise Cottage (larkrise), as installed Learned since ")
    assert "Learning: 1 of 1 unit is not settled yet." in text
    assert "- Inverter inv1: " in text
    assert " of 8 clear days (where they are rare" in text
    assert "Plane south (string s1) - on paper: tilt 35, azimuth 180" in text


def test_json_is_one_document_of_the_same(run: Run, assessed: Path) -> None:
    document = json.loads(run("baseline", assessed, "larkrise", "--json").stdout)
    assert (document["schema"], document["site"], document["learning"]) == (1, "larkrise", True)
    (unit,) = document["units"]
    assert unit["subject"] == "inverter:inv1"
    assert unit["gain_low"] < unit["gain"]["clear_sky"] < unit["gain_high"]
    assert unit["missing"]
    assert document["planes"][0]["stated"] == {"tilt_deg": 35.0, "azimuth_deg": 180.0}


def test_out_writes_a_page_and_leaves_stdout_to_the_text(run: Run, assessed: Path, tmp_path: Path) -> None:
    result = run("baseline", assessed, "larkrise", "--out", tmp_path / "pages")
    page = tmp_path / "pages" / "baseline-larkrise.html"
    assert result.exit_code == 0
    assert result.stderr == f"written to {page}\n"
    assert "Larkrise Cottage, as installed" in page.read_text("utf-8")
    assert "<html" not in result.stdout


def test_a_site_without_a_night_gets_its_papers_and_a_hint(run: Run, fleet_folder: Path) -> None:
    result = run("baseline", fleet_folder, "larkrise")
    assert result.exit_code == 0
    assert "no night of this site has been assessed" in result.stdout
    assert result.stderr == "larkrise: no night is assessed yet; run aftercare assess first\n"
    document = json.loads(run("baseline", fleet_folder, "larkrise", "--json").stdout)
    assert (document["learned_since"], document["nights"], document["units"]) == (None, 0, [])


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("larkrize",), "site 'larkrize': not a site of this fleet; did you mean larkrise?"),
        ((), "Expected the fleet folder and one SITE; found no SITE."),
        (("larkrise", "millbeck"), "Expected the fleet folder and one SITE; found larkrise millbeck."),
    ],
)
def test_what_is_no_site_is_told(run: Run, fleet_folder: Path, words: tuple[str, ...], message: str) -> None:
    result = run("baseline", fleet_folder, *words)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())


def test_a_folder_that_cannot_be_written_is_told(run: Run, fleet_folder: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("baseline", fleet_folder, "larkrise", "--out", tmp_path / "file" / "pages")
    assert result.exit_code == 2
    assert "--out" in result.stderr
    assert "cannot be written: Not a directory" in result.stderr


def test_the_mistakes_of_other_sites_are_told_in_the_end(run: Run, fleet_folder: Path) -> None:
    (fleet_folder / "sites" / "millbeck.toml").write_text("[site]\n")
    result = run("baseline", fleet_folder, "larkrise")
    assert result.exit_code == 2
    assert "Larkrise Cottage (larkrise), as installed" in result.stdout
