"""The documents tell of what is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.cli import aftercare

ROOT = Path(__file__).resolve().parents[2]


def test_the_readme_lists_the_commands() -> None:
    listed = set(re.findall(r"(?m)^\| `aftercare (\w+)", (ROOT / "README.md").read_text()))
    assert listed | {"demo"} == set(aftercare.commands)


def test_the_readme_shows_the_options_that_there_are() -> None:
    for command, usage in re.findall(r"(?m)^\| `aftercare (\w+)([^`]*)`", (ROOT / "README.md").read_text()):
        shown = set(re.findall(r"--[a-z-]+", usage))
        known = {opt for param in aftercare.commands[command].params for opt in param.opts if opt.startswith("--")}
        assert shown <= known


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "sample_data/README.md"])
def test_every_path_that_is_named_is_there(document: str) -> None:
    path = ROOT / document
    text = path.read_text()
    links = [path.parent / name for name in re.findall(r"\]\((?!https?:)([^)#]+)\)", text)]
    named = [ROOT / name for name in re.findall(r"`((?:ingest|monitor|tests|config)/[\w/.]+)`", text)]
    assert [str(p) for p in [*links, *named] if not p.exists()] == []
