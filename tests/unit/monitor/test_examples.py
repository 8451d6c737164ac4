"""The example fleet folder loads, and shows every key that the configuration knows."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from ingest.sources import RegisterSource, TableSource
from monitor.config import load_fleet
from monitor.config.models import FleetFile, Site

CONFIG = Path(__file__).resolve().parents[3] / "config"


def models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Every model that an annotation leads to."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
        for field in annotation.model_fields.values():
            yield from models(field.annotation)
    for inner in get_args(annotation):
        yield from models(inner)


def test_the_example_loads_without_a_fault() -> None:
    fleet = load_fleet(CONFIG / "fleet")
    assert fleet.faults == ()
    ids = [source.id for source in fleet.site("larkrise").source]
    assert ids == [
        "inv1-log",
        "weather",
        "sky",
        "modules",
        "grid-half-hours",
        "car-log",
        "gen1-dump",
        "inv1-dump",
        "inv1-live",
    ]


@pytest.mark.parametrize(("file", "model"), [("fleet.toml", FleetFile), ("sites/larkrise.toml", Site)])
def test_the_example_shows_every_key(file: str, model: type[BaseModel]) -> None:
    text = (CONFIG / "fleet" / file).read_text()
    keys = {name for one in models(model) for name in one.model_fields}
    shown = set(re.findall(r"^\s*\[*(?:\w+\.)*(\w+)\]*", text, re.MULTILINE)) | set(re.findall(r"(\w+) =", text))
    assert keys - shown == set()


@pytest.mark.parametrize("path", sorted(CONFIG.glob("layouts/*.toml")), ids=lambda p: p.stem)
def test_every_layout_reads(path: Path) -> None:
    layout = tomllib.loads(path.read_text())
    source = {"id": "x", "files": "x.csv", "interval_minutes": 5, **layout}
    if "registers" in layout:
        RegisterSource.model_validate({"kind": "registers", **source})
    else:
        TableSource.model_validate({"kind": "table", **source})


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd on this machine")
def test_the_service_is_shut_in(tmp_path: Path) -> None:
    unit = tmp_path / "aftercare.service"
    unit.write_text((CONFIG / "aftercare.service").read_text().replace("/opt/aftercare/bin/aftercare", "/bin/true"))
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=30", str(unit)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
