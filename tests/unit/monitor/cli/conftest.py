"""Runs commands in this process, with a clock that stands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli import aftercare
from monitor.cli.shell import FLEET_VARIABLE, Shell

Aftercare = Callable[..., Result]


@pytest.fixture
def run(noon_after: int, monkeypatch: pytest.MonkeyPatch) -> Aftercare:
    """Call with the words of a command line."""
    monkeypatch.delenv(FLEET_VARIABLE, raising=False)

    def run(*words: str | Path, env: dict[str, str] | None = None) -> Result:
        shell = Shell(clock=lambda: noon_after)
        return CliRunner().invoke(
            aftercare, [str(w) for w in words], obj=shell, env=env, catch_exceptions=False, prog_name="aftercare"
        )

    return run
