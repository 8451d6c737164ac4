"""How every command meets a wrong command line or configuration."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]
LOADING = [
    ("ingest",),
    ("assess",),
    ("findings",),
    ("digest", "--for", "service"),
    ("status",),
]


def misspell(folder: Path, file: str, key: str, wrong: str) -> None:
    path = folder / file
    text = path.read_text()
    assert key in text
    path.write_text(text.replace(key, wrong, 1))


def test_check_of_a_good_folder(run: Run, fleet_folder: Path) -> None:
    done = run("check", fleet_folder)
    assert (done.exit_code, done.stdout, done.stderr) == (0, f"{fleet_folder}: no mistakes; 2 sites\n", "")


def test_check_names_every_mistake_at_once(run: Run, fleet_folder: Path) -> None:
    misspell(fleet_folder, "sites/larkrise.toml", "tilt_deg", "tilt_degr")
    misspell(fleet_folder, "sites/millbeck.toml", "latitude = 52.1", "latitude = 152.1")
    done = run("check", fleet_folder)
    assert done.exit_code == 2
    assert "sites/larkrise.toml: plane[0].tilt_degr: unknown key; did you mean tilt_deg?" in done.stderr
    assert "sites/millbeck.toml: site.latitude = 152.1: input should be less than or equal to 90" in done.stderr
    assert done.stdout == ""


def test_a_wrong_fleet_file_stops_everything(run: Run, fleet_folder: Path) -> None:
    misspell(fleet_folder, "fleet.toml", "timezone", "timezon")
    for words in LOADING:
        done = run(words[0], fleet_folder, *words[1:])
        assert done.exit_code == 2
        assert "fleet.toml: fleet.timezon: unknown key; did you mean timezone?" in done.stderr
        assert done.stdout == ""
    assert not (fleet_folder / "aftercare.db").exists()


@pytest.mark.parametrize("words", LOADING, ids=lambda w: w[0])
def test_a_wrong_site_file_leaves_the_other_sites_going(run: Run, fleet_folder: Path, words: tuple[str, ...]) -> None:
    misspell(fleet_folder, "sites/larkrise.toml", "tilt_deg", "tilt_degr")
    done = run(words[0], fleet_folder, *words[1:])
    assert done.exit_code == 2
    assert "sites/larkrise.toml: plane[0].tilt_degr: unknown key; did you mean tilt_deg?" in done.stderr


def test_the_other_site_is_ingested_in_spite_of_a_wrong_file(run: Run, fleet_folder: Path) -> None:
    misspell(fleet_folder, "sites/larkrise.toml", "tilt_deg", "tilt_degr")
    assert run("ingest", fleet_folder).stdout.startswith("6 files taken, 0 known")


def test_a_folder_that_is_no_fleet(run: Run, tmp_path: Path) -> None:
    done = run("status", tmp_path)
    assert done.exit_code == 2
    assert done.stderr == f"{tmp_path}: no fleet.toml in this folder; expected a fleet folder\n"


@pytest.mark.parametrize("words", [("findings", "--site", "larkris"), ("assess", "--site", "larkris")])
def test_an_unknown_site_names_the_nearest(run: Run, fleet_folder: Path, words: tuple[str, ...]) -> None:
    done = run(words[0], fleet_folder, *words[1:])
    assert done.exit_code == 2
    assert done.stderr == "site 'larkris': not a site of this fleet; did you mean larkrise?\n"


def test_a_site_whose_file_is_wrong_is_not_called_unknown(run: Run, fleet_folder: Path) -> None:
    misspell(fleet_folder, "sites/larkrise.toml", "tilt_deg", "tilt_degr")
    done = run("yields", fleet_folder, "larkrise")
    assert done.exit_code == 2
    assert "site 'larkrise': its file sites/larkrise.toml is wrong and was left out" in done.stderr


def test_without_a_fleet_folder(run: Run) -> None:
    for command in ("check", "ingest", "yields", "status"):
        done = run(command)
        assert done.exit_code == 2
        assert "Missing argument 'FLEET'" in done.stderr


def test_the_fleet_folder_from_the_environment(run: Run, fleet_folder: Path) -> None:
    env = {"AFTERCARE_FLEET": str(fleet_folder)}
    assert run("check", env=env).exit_code == 0
    assert run("ingest", fleet_folder / "incoming/larkrise/inv1_20250601.csv", env=env).stdout.startswith(
        "1 files taken"
    )
    assert run("assess", env=env).exit_code == 0
    assert "larkrise" not in run("yields", "larkrise", env=env).stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("assess", "--from", "1.6.2025"), "'1.6.2025': expected a date such as 2025-06-30"),
        (
            ("assess", "--from", "2025-06-05", "--until", "2025-06-01"),
            "--until 2025-06-01 lies before --from 2025-06-05",
        ),
        (("digest", "--for", "homeowner", "--month", "June"), "'June': expected a month such as 2025-06"),
        (("digest", "--for", "service", "--site", "larkrise"), "--site and --month are for --for homeowner"),
    ],
)
def test_a_wrong_option(run: Run, fleet_folder: Path, words: tuple[str, ...], message: str) -> None:
    done = run(words[0], fleet_folder, *words[1:])
    assert done.exit_code == 2
    assert message in done.stderr


@pytest.mark.parametrize("words", [("ingest",), ("status",), ("findings",)])
def test_a_store_that_cannot_be_reached(run: Run, fleet_folder: Path, words: tuple[str, ...]) -> None:
    (fleet_folder / "fleet.toml").write_text(
        (fleet_folder / "fleet.toml").read_text() + '\n[store]\nurl = "sqlite:///nowhere/aftercare.db"\n'
    )
    done = run(words[0], fleet_folder)
    assert done.exit_code == 3
    assert "the store sqlite:///" in done.stderr
    assert "cannot be used: unable to open database file" in done.stderr
