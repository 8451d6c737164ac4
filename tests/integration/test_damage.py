"""Damage one thing of a home's folder: one clear message, an exit code, and the rest goes on."""

from __future__ import annotations

import re
import shutil
import tomllib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.cli import aftercare
from monitor.cli.shell import Shell
from monitor.store import Store
from monitor.store.ledger import list_files
from monitor.store.readings import load_tables, recorded_span

HOME = Path(__file__).resolve().parents[2] / "sample_data" / "demo_home"
EXPORT = "incoming/rookcote/inv1_2026-06.csv"
LAYOUT = tomllib.loads((HOME / "layouts/two_strings.toml").read_text())
NOW = 1_782_900_000  # 1 July 2026


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return Path(shutil.copytree(HOME, tmp_path / "home"))


def run(*words: object) -> Result:
    shell = Shell(clock=lambda: NOW)
    return CliRunner().invoke(aftercare, [str(w) for w in words], obj=shell, catch_exceptions=False)


def readings(folder: Path) -> dict[str, dict[int, float]]:
    """What the store holds: per channel, values by time."""
    found: dict[str, dict[int, float]] = {}
    with closing(Store.open("sqlite:///aftercare.db", folder)) as store, store.read() as conn:
        span = recorded_span(conn, "rookcote")
        if span is None:
            return {}
        for table in load_tables(conn, site="rookcote", first_day=span[0], last_day=span[1]).values():
            for channel, values in table.columns.items():
                pairs = zip(table.starts.tolist(), values.tolist(), strict=True)
                found[f"{channel.subject} {channel.quantity}"] = {at: v for at, v in pairs if v == v}
    return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[int, float]]:
    """The readings of the undamaged export."""
    folder = shutil.copytree(HOME, tmp_path_factory.mktemp("whole") / "home")
    assert run("ingest", folder).exit_code == 0
    return readings(Path(folder))


def test_every_command_on_the_home(home: Path, tmp_path: Path) -> None:
    for words in (
        ["check"],
        ["ingest"],
        ["assess", "--from", "2026-06-11"],
        ["findings"],
        ["digest", "--for", "service"],
        ["digest", "--for", "homeowner", "--month", "2026-06"],
        ["status"],
    ):
        done = run(words[0], home, *words[1:])
        assert (done.exit_code, done.stderr) == (0, ""), words
        assert done.stdout
    assert run("yields", home, "rookcote").exit_code == 0


@pytest.mark.parametrize("column", [c["column"] for c in LAYOUT["columns"]])
def test_without_one_column(home: Path, column: str, whole: dict[str, dict[int, float]]) -> None:
    lines = (home / EXPORT).read_text("utf-8-sig").splitlines()
    at = lines[0].split(";").index(column)
    cut = [";".join(cell for i, cell in enumerate(line.split(";")) if i != at) for line in lines]
    (home / EXPORT).write_text("\n".join(cut) + "\n")
    done = run("ingest", home)
    assert done.exit_code == 1
    [message] = done.stderr.splitlines()
    assert message.startswith(f"{EXPORT}")
    assert column in message
    spec = next(c for c in LAYOUT["columns"] if c["column"] == column)
    lost = f"{spec['of']} {spec['quantity']}"
    assert readings(home) == {name: values for name, values in whole.items() if name != lost}


def test_without_the_time_column(home: Path) -> None:
    text = (home / EXPORT).read_text("utf-8-sig")
    (home / EXPORT).write_text(re.sub(r"(?m)^[^;]*;", "", text))
    done = run("ingest", home)
    assert done.exit_code == 1
    [message] = done.stderr.splitlines()
    assert message.startswith(f"{EXPORT}: ")
    assert "Recorded" in message
    assert "0 files taken, 0 known, 0 waiting, 1 refused" in done.stdout


@pytest.mark.parametrize("cut", [1, 3, 9, 17, 30, 41])
def test_cut_off_in_the_last_line(home: Path, cut: int, whole: dict[str, dict[int, float]]) -> None:
    data = (home / EXPORT).read_bytes().rstrip(b"\r\n")
    (home / EXPORT).write_bytes(data[:-cut])
    done = run("ingest", home)
    assert done.exit_code == 1
    assert len(done.stderr.splitlines()) == 1
    kept = readings(home)
    for name, values in kept.items():
        assert values.items() <= whole[name].items()
        assert len(values) >= len(whole[name]) - 1


def misspellings() -> Iterator[tuple[str, str]]:
    """Each key of the home's files, by file."""
    for file in ("fleet.toml", "sites/rookcote.toml", "layouts/two_strings.toml"):
        keys = dict.fromkeys(re.findall(r"(\w+) = ", (HOME / file).read_text()))
        yield from ((file, key) for key in keys if key != "kind")  # without it nobody knows which keys fit


@pytest.mark.parametrize(("file", "key"), list(misspellings()))
def test_one_misspelt_key(home: Path, file: str, key: str) -> None:
    wrong = key[:-1] + key[-1] * 2
    text = (home / file).read_text()
    (home / file).write_text(re.sub(rf"\b{key} = ", f"{wrong} = ", text, count=1))
    done = run("ingest", home)
    assert done.exit_code == 2
    told = [line for line in done.stderr.splitlines() if wrong in line]
    assert len(told) == 1
    assert "unknown key" in told[0]
    assert f"did you mean {key}?" in told[0] or key in told[0]


def test_the_ledger_knows_the_damaged_file_by_its_content(home: Path) -> None:
    data = (home / EXPORT).read_bytes()
    (home / EXPORT).write_bytes(data[: len(data) // 2])
    run("ingest", home)
    (home / EXPORT).write_bytes(data)
    assert run("ingest", home).stdout.startswith("1 files taken, 0 known")
    with closing(Store.open("sqlite:///aftercare.db", home)) as store, store.read() as conn:
        [standing] = list_files(conn)
    assert (standing.path, standing.size, standing.state, standing.rejects) == (EXPORT, len(data), "taken", 0)
