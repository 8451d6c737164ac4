"""What the commands share."""

from __future__ import annotations

import subprocess
import sys

import pytest

from monitor.cli.shell import Progress

HEAVY = ("pandas", "numpy", "sqlalchemy", "pydantic", "matplotlib", "pvlib", "pyarrow", "apscheduler", "alembic")


@pytest.mark.parametrize("command", ["", "demo", "ingest", "run", "yields"])
def test_help_imports_nothing_heavy(command: str) -> None:
    code = (
        "import sys\nfrom monitor.cli import aftercare\n"
        f"aftercare.main({[command] if command else []} + ['--help'], standalone_mode=False)\n"
        f"print([m for m in {HEAVY} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("Usage: ")
    assert done.stderr == "[]\n"


def test_progress_off_a_terminal_is_a_line_now_and_then(capsys: pytest.CaptureFixture[str]) -> None:
    seconds = iter([0.0, 0.0, 4.0, 11.0, 12.0, 20.0])
    progress = Progress(every_s=10.0, now_s=lambda: next(seconds))
    progress.stage("begin")
    for step in ("a", "b", "c", "d"):
        progress(step)
    out = capsys.readouterr()
    assert out.out == ""
    assert out.err.splitlines() == ["[   0 s] begin", "[  11 s] b"]
