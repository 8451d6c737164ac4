"""Which files of a folder are read, wait or are refused, on a real file system."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from ingest import arrivals
from ingest.arrivals import Listing, config_hash, content_hash, list_arrivals
from ingest.errors import InputError
from ingest.sources import TableSource

NOW = 1_780_000_000
SETTLE = 60


def source(**changes: object) -> TableSource:
    given: dict[str, object] = {
        "id": "log",
        "kind": "table",
        "files": "incoming/**/*",
        "interval_minutes": 5,
        "time": {"column": "t", "zone": "UTC"},
        "columns": [{"column": "p", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}],
    }
    return TableSource.model_validate(given | changes)


def put(folder: Path, name: str, *, age: int = 3600, data: bytes = b"t,p\n") -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, (NOW - age, NOW - age))
    return path


def look(folder: Path, **options: object) -> Listing:
    return list_arrivals(folder, source(), now=NOW, settle_s=SETTLE, **options)  # type: ignore[arg-type]


def paths(listing: Listing) -> list[str]:
    return [arrival.path for arrival in listing.arrivals]


def refused(listing: Listing) -> tuple[str, str]:
    assert listing.arrivals == ()
    (reject,) = listing.rejects
    assert (reject.line, reject.field) == (None, "")
    return reject.file, reject.reason


def test_files_come_in_order_with_size_and_content(tmp_path: Path) -> None:
    put(tmp_path, "incoming/b.csv", data=b"second")
    put(tmp_path, "incoming/a/z.csv", data=b"first")
    put(tmp_path, "elsewhere/c.csv")
    listing = look(tmp_path)
    assert paths(listing) == ["incoming/a/z.csv", "incoming/b.csv"]
    first = listing.arrivals[0]
    assert (first.size, first.modified, first.read()) == (5, NOW - 3600, b"first")
    assert first.sha256 == content_hash(b"first") == hashlib.sha256(b"first").hexdigest()
    assert (listing.waiting, listing.rejects) == ((), ())


@pytest.mark.parametrize("name", [".hidden.csv", ".cache/a.csv", "a.csv.part", "a.csv.TMP"])
def test_hidden_and_unfinished_files_are_passed_over(name: str, tmp_path: Path) -> None:
    put(tmp_path, f"incoming/{name}")
    assert look(tmp_path) == Listing((), (), ())


@pytest.mark.parametrize(("age", "waits"), [(59, True), (60, False), (-59, True), (-90_000, False)])
def test_a_file_that_changed_a_moment_ago_waits(age: int, waits: bool, tmp_path: Path) -> None:
    put(tmp_path, "incoming/a.csv", age=age)
    listing = look(tmp_path)
    assert (listing.waiting == ("incoming/a.csv",)) == waits
    assert (paths(listing) == ["incoming/a.csv"]) != waits


def test_files_that_are_asked_for_do_not_wait_and_the_others_are_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "incoming/a.csv", age=1)
    put(tmp_path, "incoming/b.csv", age=1)
    monkeypatch.chdir(tmp_path)
    listing = look(tmp_path, only=[Path("incoming/x/../b.csv"), tmp_path / "not_mine.csv"])
    assert paths(listing) == ["incoming/b.csv"]
    assert listing.waiting == ()


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    put(tmp_path, "outside.csv")
    fleet = tmp_path / "fleet"
    (fleet / "incoming").mkdir(parents=True)
    (fleet / "incoming/a.csv").symlink_to(tmp_path / "outside.csv")
    name, reason = refused(look(fleet))
    assert name == "incoming/a.csv"
    assert "leads out of the fleet folder" in reason


def test_a_linked_folder_outside_is_not_read(tmp_path: Path) -> None:
    put(tmp_path, "other/a.csv")
    fleet = tmp_path / "fleet"
    (fleet / "incoming").mkdir(parents=True)
    (fleet / "incoming/sub").symlink_to(tmp_path / "other")
    wide = list_arrivals(fleet, source(files="incoming/*/*.csv"), now=NOW, settle_s=SETTLE)
    assert "leads out of the fleet folder" in refused(wide)[1]


def test_a_link_within_the_folder_is_followed(tmp_path: Path) -> None:
    put(tmp_path, "kept/a.csv", data=b"here")
    (tmp_path / "incoming").mkdir()
    (tmp_path / "incoming/a.csv").symlink_to(tmp_path / "kept/a.csv")
    (arrival,) = look(tmp_path).arrivals
    assert (arrival.path, arrival.read()) == ("incoming/a.csv", b"here")


def test_a_link_to_nowhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "incoming").mkdir()
    (tmp_path / "incoming/a.csv").symlink_to(tmp_path / "gone.csv")
    assert "leads nowhere" in refused(look(tmp_path))[1]


def test_a_pipe_is_refused(tmp_path: Path) -> None:
    (tmp_path / "incoming").mkdir()
    os.mkfifo(tmp_path / "incoming/a.csv")
    assert "not a regular file" in refused(look(tmp_path))[1]


@pytest.mark.parametrize("name", ["a.csv.gz", "a.ZIP"])
def test_a_compressed_file_is_refused(name: str, tmp_path: Path) -> None:
    put(tmp_path, f"incoming/{name}")
    assert refused(look(tmp_path)) == (
        f"incoming/{name}",
        "a compressed file, which this version does not open; expected it unpacked",
    )


def test_a_name_that_nobody_can_read_is_refused(tmp_path: Path) -> None:
    (tmp_path / "incoming").mkdir()
    (tmp_path / "incoming" / os.fsdecode(b"a\xff\n.csv")).write_bytes(b"t,p\n")
    name, reason = refused(look(tmp_path))
    assert name == r"incoming/a\udcff\n.csv"
    assert "control characters" in reason


def test_a_huge_file_is_refused_when_listed_and_when_it_grew_since(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arrivals, "LARGEST_FILE", 1024 * 1024)
    path = put(tmp_path, "incoming/a.csv")
    (arrival,) = look(tmp_path).arrivals
    put(tmp_path, "incoming/a.csv", data=bytes(1024 * 1024 + 1))
    with pytest.raises(InputError, match=r"incoming/a.csv: larger than 1 MB"):
        arrival.read()
    assert "larger than 1 MB (1048577 bytes" in refused(look(tmp_path))[1]
    path.unlink()
    with pytest.raises(InputError, match=r"incoming/a.csv: cannot be read: No such file"):
        arrival.read()


def test_what_took_a_files_place_is_not_read(tmp_path: Path) -> None:
    path = put(tmp_path, "incoming/a.csv")
    (arrival,) = look(tmp_path).arrivals
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(InputError, match=r"incoming/a.csv: is no longer a regular file"):
        arrival.read()


def test_the_settings_hash_changes_with_what_is_read_and_not_with_where_it_lies() -> None:
    plain = config_hash(source())
    assert plain == config_hash(source(files="other/*.csv", id="renamed"))
    assert plain != config_hash(source(interval_minutes=15))
    assert plain != config_hash(source(time={"column": "t", "zone": "Europe/London"}))
