"""`aftercare board` on a small fleet: where it writes, what it says, and how it ends."""

from __future__ import annotations

import errno
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Run = Callable[..., Result]


@pytest.fixture
def assessed(run: Run, fleet_folder: Path) -> Path:
    assert run("ingest", fleet_folder).exit_code == 0
    assert run("assess", fleet_folder, "--from", "2025-06-01").exit_code == 0
    return fleet_folder


def test_it_is_written_and_left_alone(run: Run, assessed: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    done = run("board", assessed, "--out", out)
    assert (done.exit_code, done.stdout) == (0, f"{out / 'index.html'}\n")
    assert done.stderr.startswith("board of 2 sites: 2 sites' pages due, ")
    assert run("board", assessed, "--out", out).stderr == (
        "board of 2 sites: 0 sites' pages due, 0 files written, 0 removed\n"
    )
    assert "Larkrise Cottage" in (out / "index.html").read_text()
    assert (out / "sites" / "millbeck.html").is_file()


@pytest.mark.parametrize(("section", "name"), [("", "board"), ('\n[board]\nfolder = "pages/fleet"\n', "pages/fleet")])
def test_where_it_goes_unless_said_otherwise(run: Run, assessed: Path, section: str, name: str) -> None:
    settings = assessed / "fleet.toml"
    settings.write_text(settings.read_text() + section)
    assert run("board", assessed).exit_code == 0
    assert (assessed / name / "index.html").is_file()


def test_before_the_first_night(run: Run, fleet_folder: Path) -> None:
    done = run("board", fleet_folder)
    assert (done.exit_code, done.stdout) == (0, "")
    assert done.stderr == "nothing to write: no night is assessed yet; run aftercare assess first\n"


def test_a_folder_with_other_things(run: Run, assessed: Path, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "letter.txt").write_text("")
    done = run("board", assessed, "--out", tmp_path / "home")
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == (
        f"{tmp_path / 'home'}: holds other things; expected a new or empty folder, or one with a board in it\n"
    )


def test_a_full_disk(run: Run, assessed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_path: Path, _data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    done = run("board", assessed, "--out", tmp_path / "pages")
    assert (done.exit_code, done.stdout) == (1, "")
    assert "the board could not be written: No space left on device; what was there before stays" in done.stderr


def test_a_folder_that_may_not_be_made(run: Run, assessed: Path) -> None:
    done = run("board", assessed, "--out", assessed / "fleet.toml" / "pages")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "is a file; expected a folder for the board" in done.stderr


def test_an_unknown_key_is_told(run: Run, assessed: Path) -> None:
    settings = assessed / "fleet.toml"
    settings.write_text(settings.read_text() + '\n[board]\nfoldre = "board"\n')
    done = run("board", assessed)
    assert done.exit_code == 2
    assert "foldre" in done.stderr
    assert "did you mean folder?" in done.stderr
