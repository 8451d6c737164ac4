"""The arrows between the parts, read from the import statements; and a proof that each rule can fail."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = ("ingest", "monitor")

# A module may import what stands on its own line or below. The longest fitting prefix counts.
LEVELS: tuple[tuple[str, ...], ...] = (
    ("monitor.cli",),
    ("monitor.daemon",),
    ("monitor.jobs",),
    ("monitor.looking_back",),
    ("monitor.nightly", "monitor.demo"),
    ("monitor.report", "monitor.mail"),
    ("monitor.store", "monitor.detect", "monitor.model"),
    ("monitor.config",),
    ("monitor.clock", "monitor.cron", "monitor.lock", "monitor"),
    ("ingest",),
)
PURE = (
    "ingest.quantities", "ingest.readings", "ingest.timeline", "ingest.passes", "ingest.counters", "ingest.intervals",
    "ingest.quality", "ingest.registers", "ingest.sunspec", "ingest.weather.asking",
    "monitor.model", "monitor.detect", "monitor.jobs.plausible",
)  # fmt: skip
IMPURE_LIBRARIES = {
    "sqlalchemy", "alembic", "sqlite3", "psycopg", "apscheduler", "matplotlib", "smtplib", "socket", "time", "os",
    "pathlib", "logging", "subprocess", "threading",
}  # fmt: skip
IMPURE_PARTS = (
    "monitor.store", "monitor.report", "monitor.jobs", "monitor.cron", "monitor.clock", "monitor.demo",
    "ingest.readers", "ingest.arrivals", "ingest.contents", "ingest.packed", "ingest.folders", "ingest.pieces",
    "ingest.script", "ingest.bus", "ingest.poll",
)  # fmt: skip
# library: where alone it may be imported
HOMES = {
    "apscheduler": ("monitor.daemon", "monitor.cron"),
    "sqlalchemy": ("monitor.store",),
    "alembic": ("monitor.store",),
    "matplotlib": ("monitor.report",),
    "click": ("monitor.cli",),
    "pymodbus": ("ingest.bus",),
    "reportlab": ("monitor.report",),
    "requests": ("ingest.weather.carrier", "ingest.weather.era5"),
    "smtplib": ("monitor.mail",),
    "urllib3": ("ingest.weather.carrier",),
}
# What functions outside the store pass on to it, without calling anything of it.
TYPES = {"sqlalchemy.Connection"}
# A demo whose physics leant on the model's would only show that the program agrees with itself.
STRANGERS = {"monitor.demo": ("monitor.model", "monitor.detect", "monitor.store", "monitor.nightly")}


@dataclass(frozen=True)
class Import:
    """One imported module; `typing_only` when it is for annotations alone."""

    module: str
    typing_only: bool


def modules(root: Path) -> dict[str, list[Import]]:
    """Every module of the tree, and all that it imports, wherever the statement stands."""
    files = {
        ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__"): path
        for package in OURS
        for path in sorted((root / package).rglob("*.py"))
    }
    return {name: list(_imports(path, set(files))) for name, path in files.items()}


def _imports(path: Path, known: set[str]) -> Iterator[Import]:
    tree = ast.parse(path.read_text("utf-8"))
    guarded = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (Import(alias.name, id(node) in guarded) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import; expected the whole name"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                for_types = id(node) in guarded or inner in TYPES
                yield Import(inner if inner in known else str(node.module), for_types)


def inside(module: str, parts: tuple[str, ...]) -> bool:
    """Whether a module is one of the parts or stands within one."""
    return any(module == part or module.startswith(part + ".") for part in parts)


def level(module: str) -> int:
    """The line of LEVELS that a module stands on; 0 is the top."""
    fits = [(len(part), i) for i, parts in enumerate(LEVELS) for part in parts if inside(module, (part,))]
    return max(fits)[1]


def upward(tree: dict[str, list[Import]]) -> list[str]:
    """Imports against the arrows."""
    return [
        f"{name} imports {one.module}"
        for name, imports in tree.items()
        for one in imports
        if inside(one.module, OURS) and level(one.module) < level(name)
    ]


def unplaced(tree: dict[str, list[Import]]) -> list[str]:
    """Modules that only the catch-all `monitor` claims: somebody has to say where they stand."""
    listed = tuple(part for parts in LEVELS for part in parts if part != "monitor")
    return [name for name in tree if name != "monitor" and not inside(name, listed)]


def cycles(tree: dict[str, list[Import]]) -> list[str]:
    """The first import cycle, if there is one."""
    graph = {name: {i.module for i in imports if i.module in tree} - {name} for name, imports in tree.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return [" -> ".join(error.args[1])]
    return []


def misplaced_libraries(tree: dict[str, list[Import]]) -> list[str]:
    """Libraries imported outside their home."""
    return [
        f"{name} imports {one.module}"
        for name, imports in tree.items()
        for one in imports
        if not one.typing_only and (home := HOMES.get(one.module.split(".")[0])) is not None and not inside(name, home)
    ]


def impure(tree: dict[str, list[Import]]) -> list[str]:
    """Pure files that import a database, a scheduler, a plot, a clock or the file system, or a part that does."""
    return [
        f"{name} imports {one.module}"
        for name, imports in tree.items()
        for one in imports
        if inside(name, PURE) and not one.typing_only
        if one.module.split(".")[0] in IMPURE_LIBRARIES or inside(one.module, IMPURE_PARTS)
    ]


def acquainted(tree: dict[str, list[Import]]) -> list[str]:
    """Parts that import what they must not know."""
    return [
        f"{name} imports {one.module}"
        for part, strangers in STRANGERS.items()
        for name, imports in tree.items()
        if inside(name, (part,))
        for one in imports
        if inside(one.module, strangers)
    ]


RULES = {rule.__name__: rule for rule in (upward, unplaced, cycles, misplaced_libraries, impure, acquainted)}


@pytest.fixture(scope="module")
def project() -> dict[str, list[Import]]:
    return modules(ROOT)


@pytest.mark.parametrize("rule", RULES)
def test_the_project_keeps_the_rule(rule: str, project: dict[str, list[Import]]) -> None:
    assert len(project) > 20
    assert RULES[rule](project) == []


@pytest.mark.parametrize(
    ("rule", "files", "broken"),
    [
        ("upward", {"ingest/a.py": "from monitor.config import Site"}, "ingest.a imports monitor.config"),
        ("upward", {"monitor/store/a.py": "import monitor.jobs"}, "monitor.store.a imports monitor.jobs"),
        (
            "upward",
            {"monitor/jobs.py": "def f():\n    from monitor import daemon", "monitor/daemon.py": ""},
            "monitor.jobs imports monitor.daemon",
        ),
        ("unplaced", {"monitor/extra.py": ""}, "monitor.extra"),
        (
            "cycles",
            {"ingest/a.py": "import ingest.b", "ingest/b.py": "def f():\n    from ingest import a"},
            "ingest.a -> ingest.b -> ingest.a",
        ),
        (
            "misplaced_libraries",
            {"monitor/jobs.py": "from apscheduler.events import X"},
            "monitor.jobs imports apscheduler.events",
        ),
        ("misplaced_libraries", {"monitor/nightly/a.py": "import sqlalchemy"}, "monitor.nightly.a imports sqlalchemy"),
        ("misplaced_libraries", {"monitor/nightly/a.py": "from sqlalchemy import select"}, "monitor.nightly.a imports"),
        ("misplaced_libraries", {"monitor/jobs/a.py": "import smtplib"}, "monitor.jobs.a imports smtplib"),
        ("misplaced_libraries", {"monitor/demo/a.py": "import matplotlib.figure"}, "monitor.demo.a imports"),
        ("impure", {"monitor/model/sun.py": "import time"}, "monitor.model.sun imports time"),
        ("impure", {"monitor/detect/a.py": "import monitor.store.daily"}, "monitor.detect.a imports monitor.store"),
        ("impure", {"ingest/counters.py": "from pathlib import Path"}, "ingest.counters imports pathlib"),
        ("acquainted", {"monitor/demo/a.py": "from monitor.model import sun"}, "monitor.demo.a imports monitor.model"),
    ],
)
def test_the_rule_can_fail(rule: str, files: dict[str, str], broken: str, tmp_path: Path) -> None:
    for name, text in files.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    found = RULES[rule](modules(tmp_path))
    assert len(found) == 1
    assert found[0].startswith(broken) or set(found[0].split(" -> ")) == set(broken.split(" -> "))


def test_a_type_is_no_use_of_the_library(tmp_path: Path) -> None:
    (tmp_path / "monitor").mkdir()
    (tmp_path / "monitor/nightly.py").write_text(
        "from typing import TYPE_CHECKING\nfrom sqlalchemy import Connection\n"
        "if TYPE_CHECKING:\n    from matplotlib.figure import Figure\n"
    )
    assert misplaced_libraries(modules(tmp_path)) == []


def test_no_part_of_the_project_is_overlooked() -> None:
    packages = {path.parent.name for path in ROOT.glob("*/__init__.py")}
    assert packages == set(OURS)


# Needed without being imported: zones on machines that have none; what pandas writes Parquet with is imported as well.
UNIMPORTED = {"tzdata"}
IMPORT_NAMES = {"css-inline": "css_inline", "pillow": "PIL"}


def test_the_listed_dependencies_are_the_imported_ones(project: dict[str, list[Import]]) -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    names = {re.match(r"[A-Za-z0-9-]+", entry).group() for entry in listed}  # type: ignore[union-attr]
    tops = {one.module.split(".")[0] for imports in project.values() for one in imports}
    imported = tops - set(OURS) - set(sys.stdlib_module_names)
    assert {IMPORT_NAMES.get(name, name) for name in names - UNIMPORTED} == imported
