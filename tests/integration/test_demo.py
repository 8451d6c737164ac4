"""The whole job over an invented fleet, smaller than the one that `aftercare demo` makes."""

from __future__ import annotations

import json
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
    kinds = sorted((path.name.partition("-")[0], path.suffix) for path in paths)
    assert kinds == sorted([("home", ".eml"), ("home", ".html"), *[("service", ".eml"), ("service", ".html")] * 2])
    raised = truth[0].partition("found, raised ")[2][:10]
    news = folder / "digests" / f"service-{raised}.html"
    assert news in paths
    assert "String makes nothing" in news.read_text("utf-8")
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


def test_a_complaint_about_any_home_is_answered(shown: tuple[Path, Result], tmp_path: Path) -> None:
    folder = shown[0]
    for site in sorted(path.stem for path in (folder / "sites").iterdir()):
        words = ["callback", str(folder), site, "--from", "2026-01-01", "--until", "2026-12-31", "--json"]
        done = CliRunner().invoke(aftercare, [*words, "--out", str(tmp_path)], catch_exceptions=False)
        document = json.loads(done.stdout)
        fall = document["waterfall"]
        assert fall["start"]["wh"] + sum(step["wh"] for step in fall["steps"]) == fall["end"]["wh"]
        page = next(tmp_path.glob(f"callback-{site}-*.html")).read_text("utf-8")
        dead = [f for f in document["findings"] if f["cause"] == "failed_string"]
        for finding in dead:
            assert finding["id"] in page
            assert "a telling day, beside" in page
            step = next(step for step in fall["steps"] if step["key"] == "failed_string")
            assert step["low"] <= step["wh"] < -1000


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
