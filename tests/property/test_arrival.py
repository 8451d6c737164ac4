"""Files may come in any order and in any number of passes."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.config import load_fleet
from monitor.jobs.ingesting import ingest_fleet
from monitor.store import Store
from tests.crashing import NOW, Export, Yard, contents, faults, make_yard

URL = "sqlite:///aftercare.db"


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    """A fleet folder with a store and no files yet; `exports` holds what may come."""
    yard = make_yard(tmp_path_factory.mktemp("arrival") / "fleet", URL, homes=1, days=8, seed=5)
    for export in yard.exports.values():
        (yard.folder / export.path).unlink()
    Store.open(URL, yard.folder).close()
    return yard


def after(yard: Yard, passes: Sequence[Sequence[Export]]) -> dict[str, list[tuple[Any, ...]]]:
    """What the store holds after files came pass by pass; it has to be whole after each."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(shutil.copytree(yard.folder, Path(scratch) / "fleet"))
        fleet = load_fleet(folder)
        with closing(Store.open(URL, folder)) as store:
            for some in passes:
                for export in some:
                    (folder / export.path).write_text(export.text)
                ingest_fleet(fleet, store, now=NOW)
                assert faults(yard, store) == []
            return contents(store, counts=False)


@pytest.fixture(scope="module")
def at_once(empty: Yard) -> dict[str, list[tuple[Any, ...]]]:
    return after(empty, [consistent(empty)])


def consistent(yard: Yard) -> list[Export]:
    """Files that overlap but do not contradict each other: of those that do, the one that comes later wins."""
    return [export for path, export in yard.exports.items() if not path[1].endswith("_corrected.csv")]


@given(data=st.data())
@settings(max_examples=15)
def test_any_order_in_any_passes_gives_the_same_store(
    empty: Yard, at_once: dict[str, list[tuple[Any, ...]]], data: st.DataObject
) -> None:
    files = data.draw(st.permutations(consistent(empty)), label="order")
    cuts = sorted(data.draw(st.sets(st.integers(1, len(files) - 1), max_size=3), label="cuts"))
    passes = [files[first:last] for first, last in zip([0, *cuts], [*cuts, len(files)], strict=True)]
    assert after(empty, passes) == at_once


@given(data=st.data())
@settings(max_examples=8)
def test_of_files_that_contradict_each_other_the_later_wins(empty: Yard, data: st.DataObject) -> None:
    files = data.draw(st.permutations(list(empty.exports.values())), label="order")
    cut = data.draw(st.integers(1, len(files)), label="cut")
    after(empty, [files[:cut], files[cut:]])
