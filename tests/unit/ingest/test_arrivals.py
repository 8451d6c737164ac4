"""Which files of a folder are read, wait or are refused, on a real file system."""

from __future__ import annotations

import hashlib
import os
import socket
import subprocess
import tempfile
from collections.abc import Iterator
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


@pytest.fixture
def as_nobody(tmp_path: Path) -> Iterator[None]:
    """Without the rights of root, which permissions do not hold back."""
    if os.geteuid() != 0:
        yield
        return
    folder = tmp_path
    while folder != Path(tempfile.gettempdir()):
        folder.chmod(0o777)
        folder = folder.parent
    os.seteuid(65534)
    yield
    os.seteuid(0)


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


def test_a_pipe_and_a_socket_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "incoming").mkdir()
    monkeypatch.chdir(tmp_path / "incoming")  # the name of a socket must be short
    os.mkfifo("a.csv")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind("b.csv")
        listing = look(tmp_path)
    reason = "not a regular file but a pipe, a socket or a device"
    assert [(r.file, r.reason) for r in listing.rejects] == [("incoming/a.csv", reason), ("incoming/b.csv", reason)]
    assert listing.arrivals == ()


def test_a_name_that_nobody_can_read_is_refused(tmp_path: Path) -> None:
    (tmp_path / "incoming").mkdir()
    (tmp_path / "incoming" / os.fsdecode(b"a\xff\n.csv")).write_bytes(b"t,p\n")
    name, reason = refused(look(tmp_path))
    assert name == r"incoming/a\udcff\n.csv"
    assert "control characters" in reason


def test_a_file_that_is_gone_says_so(tmp_path: Path) -> None:
    path = put(tmp_path, "incoming/a.csv")
    (arrival,) = look(tmp_path).arrivals
    path.unlink()
    with pytest.raises(InputError, match=r"incoming/a.csv: cannot be read: No such file"):
        arrival.read()


def test_only_so_much_is_read_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrivals, "_READ_AT_ONCE", 3 << 20)
    put(tmp_path, "incoming/a.csv", data=bytes(3 << 20))
    put(tmp_path, "incoming/b.csv", data=bytes((3 << 20) + 1))
    fits, too_large = look(tmp_path).arrivals
    assert len(fits.read()) == 3 << 20
    with pytest.raises(InputError, match=r"incoming/b.csv: larger than 3 MB; expected a smaller file"):
        too_large.read()
    assert too_large.sha256 == content_hash(bytes((3 << 20) + 1))


def test_what_took_a_files_place_is_not_read(tmp_path: Path) -> None:
    path = put(tmp_path, "incoming/a.csv")
    (arrival,) = look(tmp_path).arrivals
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(InputError, match=r"incoming/a.csv: is no longer a regular file"):
        arrival.read()


@pytest.mark.parametrize(
    ("pattern", "fits"),
    [
        ("incoming/*.csv", ["incoming/a.csv", "incoming/b.csv"]),
        ("incoming/a.csv", ["incoming/a.csv"]),
        ("incoming/[!a].csv", ["incoming/b.csv"]),
        ("incoming/?/*/c.csv", ["incoming/d/e/c.csv"]),
        ("incoming/**/c.csv", ["incoming/c.csv/c.csv", "incoming/d/c.csv", "incoming/d/e/c.csv"]),
        ("**/e/**/c.csv", ["incoming/d/e/c.csv"]),
        ("incoming/d/**", ["incoming/d/c.csv", "incoming/d/e/c.csv"]),
        ("elsewhere/*", []),
        ("incoming/a.csv/*", []),
    ],
)
def test_what_a_pattern_fits(pattern: str, fits: list[str], tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv", "c.csv/c.csv", "d/c.csv", "d/e/c.csv", "d/.f/c.csv"):
        put(tmp_path, f"incoming/{name}")
    listing = list_arrivals(tmp_path, source(files=pattern), now=NOW, settle_s=SETTLE)
    assert paths(listing) == fits


def test_a_folder_with_the_name_of_a_file_is_refused(tmp_path: Path) -> None:
    put(tmp_path, "incoming/a.csv/inside.txt")
    listing = list_arrivals(tmp_path, source(files="incoming/*.csv"), now=NOW, settle_s=SETTLE)
    assert refused(listing) == ("incoming/a.csv", "a folder; expected a file")


def test_folders_may_be_nested_deeper_than_the_stack(tmp_path: Path) -> None:
    here, home = os.getcwd(), tmp_path / "incoming"
    home.mkdir()
    try:
        os.chdir(home)
        for _ in range(1200):
            os.mkdir("d")
            os.chdir("d")
        assert look(tmp_path) == Listing((), (), ())
    finally:
        os.chdir(here)
        subprocess.run(["rm", "-rf", home], check=True)  # the session's own cleaning up is not up to it


def test_a_loop_of_links_comes_to_an_end(tmp_path: Path) -> None:
    put(tmp_path, "incoming/a.csv")
    (tmp_path / "incoming/loop").symlink_to(tmp_path / "incoming")
    (tmp_path / "incoming/self.csv").symlink_to("self.csv")
    listing = look(tmp_path)
    assert paths(listing) == ["incoming/a.csv"]
    assert [(r.file, r.reason.split(":")[0]) for r in listing.rejects] == [
        ("incoming/self.csv", "a link that leads nowhere")
    ]


def test_a_folder_or_a_file_without_permission_is_told(tmp_path: Path, as_nobody: None) -> None:
    closed, file = put(tmp_path, "incoming/closed/a.csv").parent, put(tmp_path, "incoming/b.csv")
    closed.chmod(0)
    file.chmod(0)
    listing = look(tmp_path)
    assert [(r.file, r.reason) for r in listing.rejects] == [
        ("incoming/closed", "the folder cannot be listed: Permission denied")
    ]
    assert not listing.is_whole
    with pytest.raises(InputError, match=r"incoming/b.csv: cannot be read: Permission denied"):
        listing.arrivals[0].read()


def test_a_stamp_tells_a_change_of_content_and_of_inode(tmp_path: Path) -> None:
    path = put(tmp_path, "incoming/a.csv", data=b"one")
    (before,) = look(tmp_path).arrivals
    put(tmp_path, "incoming/a.csv", data=b"two")  # same size and time
    (rewritten,) = look(tmp_path).arrivals
    os.replace(put(tmp_path, "other/b.csv", data=b"six"), path)
    (replaced,) = look(tmp_path).arrivals
    assert (before.size, before.modified) == (replaced.size, replaced.modified)
    assert len({before.stamp, rewritten.stamp, replaced.stamp}) == 3


@pytest.mark.parametrize(("later_s", "settled"), [(0, False), (3, False), (4, True), (-10, False)])
def test_a_stamp_is_relied_on_only_when_the_file_was_at_rest(later_s: int, settled: bool, tmp_path: Path) -> None:
    put(tmp_path, "incoming/a.csv")
    (arrival,) = look(tmp_path).arrivals
    assert arrival.is_settled(arrival.changed + later_s) == settled


def test_the_settings_hash_changes_with_what_is_read_and_not_with_where_it_lies() -> None:
    plain = config_hash(source())
    assert plain == config_hash(source(files="other/*.csv", id="renamed"))
    assert plain != config_hash(source(interval_minutes=15))
    assert plain != config_hash(source(time={"column": "t", "zone": "Europe/London"}))
