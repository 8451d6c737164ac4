"""The whole job over an invented fleet, smaller than the one that `aftercare demo` makes."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli import aftercare
from monitor.jobs import demonstration
from monitor.jobs.demonstration import MARKER, demonstrate


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Folder and outcome of the command over two homes and three months."""
    folder = tmp_path_factory.mktemp("demo") / "here"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(demonstration, "demonstrate", partial(demonstrate, months=3, homes=2))
        done = CliRunner().invoke(aftercare, ["demo", str(folder), "--seed", "5"], catch_exceptions=False)
    return folder, done


def test_it_finds_the_dead_string_and_says_where_to_look(shown: tuple[Path, Result]) -> None:
    folder, done = shown
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    truth = [line for line in lines if "failed_string" in line and ": found, raised " in line]
    assert len(truth) == 1
    paths = [Path(line.strip()) for line in lines if line.startswith(f"  {folder}")]
    assert sorted(path.suffix for path in paths) == [".eml", ".eml", ".html", ".html"]
    assert all(path.stat().st_size > 1000 for path in paths)


def test_progress_is_told_on_stderr(shown: tuple[Path, Result]) -> None:
    said = [line.split("] ")[1].split()[0] for line in shown[1].stderr.splitlines() if "] " in line]
    stages = ("making", "ingesting", "assessing", "writing", "done")
    assert [word for word in said if word in stages] == list(stages)


@pytest.mark.parametrize("words", [["check"], ["findings"], ["status"], ["ingest"], ["digest", "--for", "service"]])
def test_the_other_commands_work_on_it(shown: tuple[Path, Result], words: list[str], tmp_path: Path) -> None:
    rest = [*words[1:], "--out", str(tmp_path)] if words[0] == "digest" else words[1:]
    done = CliRunner().invoke(aftercare, [words[0], str(shown[0]), *rest], catch_exceptions=False)
    assert done.exit_code == 0, done.stderr


def test_a_folder_with_something_else_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("dear")
    done = CliRunner().invoke(aftercare, ["demo", str(tmp_path)])
    assert done.exit_code == 2
    assert done.stderr.splitlines()[-1] == (
        f"{tmp_path}: holds something that is no earlier demo and was left alone; expected a new folder"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_an_earlier_demo_is_replaced(tmp_path: Path) -> None:
    (tmp_path / MARKER).write_text("")
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "old.toml").write_text("")
    demonstration.prepare(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [MARKER]
