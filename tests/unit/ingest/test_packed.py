"""What is read of archives, and that the hostile ones are refused with one reason each and little memory."""

from __future__ import annotations

import gzip
import io
import re
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from ingest import packed
from ingest.arrivals import list_arrivals
from ingest.contents import look_into, read_content
from ingest.readings import ReadResult
from ingest.sources import FileSource, RegisterSource, TableSource

TABLE = b"t,p\n2025-06-01T12:00:00Z,1\n2025-06-01T12:05:00Z,2\n"
MB = 1 << 20
SOURCE = TableSource.model_validate(
    {
        "id": "log", "kind": "table", "files": "*", "interval_minutes": 5, "time": {"column": "t", "zone": "UTC"},
        "columns": [{"column": "p", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}],
    }
)  # fmt: skip
DUMP = RegisterSource.model_validate(
    {
        "id": "dump", "kind": "registers", "files": "*", "interval_minutes": 5, "time": {"column": "t", "zone": "UTC"},
        "registers": {"unit_id": "u", "address": "a", "word": "w"},
        "map": [
            {"unit_id": 1, "address": 1, "type": "uint16", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}
        ],
    }
)  # fmt: skip

Results = list[tuple[str, ReadResult]]
Read = Callable[..., Results]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Read a file of some bytes, whatever its name says."""

    def read(data: bytes, name: str = "x.csv", source: FileSource = SOURCE) -> Results:
        (tmp_path / name).write_bytes(data)
        (arrival,) = list_arrivals(tmp_path, source, now=0, settle_s=0).arrivals
        return list(read_content(look_into(arrival), source))

    return read


def zipped(members: dict[str, bytes], **options: object) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, **options) as archive:  # type: ignore[arg-type]
        for name, data in members.items():
            archive.writestr(name, data)
    return file.getvalue()


def values(results: Results) -> dict[str, list[float]]:
    return {name: v.tolist() for name, r in results for t in r.tables for v in t.columns.values()}


def refusals(results: Results) -> dict[str, str]:
    """What was refused as a whole, and that nothing of it was read."""
    whole = {}
    for name, result in results:
        for reject in result.rejects:
            assert (reject.file, reject.line, result.tables) == (name, None, ())
            whole[name] = reject.reason
    return whole


@pytest.mark.parametrize("name", ["x.zip", "x.csv"])
def test_every_plain_member_of_an_archive_is_read_in_order(name: str, read: Read) -> None:
    other = TABLE.replace(b",2", b",7")
    data = zipped({"b/late.csv": TABLE, "a.txt": other, ".hidden": b"x", "__MACOSX/._a.txt": b"x", "b/": b""})
    results = read(data, name)
    assert [member for member, _ in results] == [f"{name}/a.txt", f"{name}/b/late.csv"]
    assert values(results) == {f"{name}/a.txt": [1, 7], f"{name}/b/late.csv": [1, 2]}
    assert refusals(results) == {}


@pytest.mark.parametrize("name", ["x.csv.gz", "x.csv"])
def test_a_gzip_file_is_read_under_its_own_name(name: str, read: Read) -> None:
    assert values(read(gzip.compress(TABLE), name)) == {name: [1, 2]}
    assert values(read(gzip.compress(TABLE[:30]) + gzip.compress(TABLE[30:]) + bytes(9), name)) == {name: [1, 2]}


@pytest.mark.parametrize("name", ["x.zip", "x.gz"])
def test_a_plain_table_with_the_name_of_an_archive_is_read(name: str, read: Read) -> None:
    assert values(read(TABLE, name)) == {name: [1, 2]}


def test_a_reject_in_a_member_names_it_and_its_line(read: Read) -> None:
    results = read(zipped({"day/one.csv": TABLE.replace(b",2", b",lots"), "two.csv": TABLE}), "x.zip")
    (reject,) = results[0][1].rejects
    assert (reject.file, reject.line, reject.text) == ("x.zip/day/one.csv", 3, "lots")
    assert values(results)["x.zip/two.csv"] == [1, 2]


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (lambda z: z[:-12], "cut off"),
        (lambda z: z[:20], "cut off"),
        (lambda z: z[:-8] + bytes([z[-8] ^ 1]) + z[-7:], "damaged gzip file .*incorrect data check"),
        (lambda z: z + b"garbage", "damaged gzip file .*incorrect header check"),
        (lambda z: z[:2] + b"\x07" + z[3:], "damaged gzip file .*unknown compression method"),
    ],
)
def test_a_damaged_gzip_file_gives_nothing(damage: Callable[[bytes], bytes], why: str, read: Read) -> None:
    (reason,) = refusals(read(damage(gzip.compress(TABLE * 100)), "x.gz")).values()
    assert re.search(why, reason)
    assert reason.endswith("nothing of it is taken")


def flip(data: bytes, at: int, bits: int = 1) -> bytes:
    return data[:at] + bytes([data[at] ^ bits]) + data[at + 1 :]


def test_a_damaged_member_costs_that_member_only(read: Read) -> None:
    data = zipped({"a.csv": TABLE * 50, "b.csv": TABLE})
    results = read(flip(data, 60), "x.zip")
    assert "damaged within its archive" in refusals(results)["x.zip/a.csv"]
    assert values(results) == {"x.zip/b.csv": [1, 2]}


def test_a_member_of_another_size_than_promised_is_refused(read: Read) -> None:
    data = zipped({"a.csv": TABLE})
    at = data.rfind(b"PK\x01\x02") + 24
    for size in (len(TABLE) - 5, len(TABLE) + 5):
        lying = data[:at] + struct.pack("<I", size) + data[at + 4 :]
        (reason,) = refusals(read(lying, "x.zip")).values()
        assert reason.startswith("damaged within its archive")


@pytest.mark.parametrize("length", [10, 100, -1])
def test_an_archive_that_was_cut_off_is_refused_once(length: int, read: Read) -> None:
    (reason,) = refusals(read(zipped({"a.csv": TABLE, "b.csv": TABLE})[:length], "x.zip")).values()
    assert reason.startswith("a damaged or cut-off zip archive (")


@pytest.mark.parametrize("name", ["../up.csv", "a/../../up.csv", "/etc/up.csv", "C:/up.csv", "..\\up.csv"])
def test_a_name_that_leads_out_is_refused_and_nothing_is_written(name: str, read: Read, tmp_path: Path) -> None:
    results = read(zipped({name: TABLE, "good.csv": TABLE}), "x.zip")
    assert refusals(results) == {f"x.zip/{name}": "its name leads out of the archive; expected a plain name"}
    assert values(results) == {"x.zip/good.csv": [1, 2]}
    assert [path.name for path in tmp_path.iterdir()] == ["x.zip"]


def test_members_that_cannot_be_read_are_told_one_by_one(read: Read) -> None:
    link = zipfile.ZipInfo("link.csv")
    link.external_attr = 0o120777 << 16
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr(link, "/etc/passwd")
        archive.writestr("\x1b[31m\u202ered.csv", TABLE)
        archive.writestr("bzip.csv", TABLE, zipfile.ZIP_BZIP2)
        archive.writestr("empty.csv", b"")
        archive.writestr("inner.zip", zipped({"a.csv": TABLE}))
        archive.writestr("inner.gz", gzip.compress(TABLE))
        archive.writestr("secret.csv", TABLE)
    data = file.getvalue()
    at = data.rfind(b"PK\x01\x02") + 8
    told = refusals(read(data[:at] + b"\x01" + data[at + 1 :], "x.zip"))
    nested = "an archive within an archive, which is not opened; expected a table of text"
    assert told == {
        "x.zip/ [31m red.csv": "its name holds control characters; expected plain text",
        "x.zip/bzip.csv": "packed by a method that is not read (12); expected a common zip archive",
        "x.zip/empty.csv": "the file is empty; expected a header line and rows",
        "x.zip/inner.gz": nested,
        "x.zip/inner.zip": nested,
        "x.zip/link.csv": "a link or a special file in an archive; expected a plain file",
        "x.zip/secret.csv": "an encrypted file of an archive, which cannot be read; expected it without a password",
    }


def test_an_archive_in_a_gzip_file_is_not_opened(read: Read) -> None:
    tar = bytes(257) + b"ustar" + bytes(250)
    for inner in (gzip.compress(TABLE), zipped({"a.csv": TABLE}), tar):
        (reason,) = refusals(read(gzip.compress(inner), "x.gz")).values()
        assert reason.startswith("an archive within an archive")


@pytest.mark.parametrize(
    ("members", "why"),
    [
        ({}, "an archive without a file in it"),
        ({"[Content_Types].xml": b"<x/>", "sheet1.xml": b"<x/>"}, "an office document and no table of text"),
        ({f"{n}.csv": b"" for n in range(20)}, "an archive of 20 files; expected 15 at most"),
    ],
)
def test_an_archive_is_refused_as_a_whole(
    members: dict[str, bytes], why: str, read: Read, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packed, "MOST_MEMBERS", 15)
    (reason,) = refusals(read(zipped(members), "x.zip")).values()
    assert why in reason


def peak_of(work: Callable[[], Results]) -> tuple[Results, int]:
    tracemalloc.start()
    try:
        return work(), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def bomb(size: int) -> bytes:
    """A deflated text of one line over and over; a thousandth of its size."""
    pack = zlib.compressobj(9, wbits=31)
    return b"".join(pack.compress(b"a,1\n" * (MB // 4)) for _ in range(size // MB)) + pack.flush()


def test_a_gzip_bomb_is_stopped(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packed, "_ALWAYS_UNPACKED", 40 * MB)
    results, peak = peak_of(lambda: read(bomb(120 * MB), "x.gz"))
    (reason,) = refusals(results).values()
    assert reason == "unpacks to more than 40 MB, which no export of its size does; nothing of it is taken"
    assert peak < 80 * MB


def test_a_zip_bomb_is_stopped_by_what_it_promises(read: Read) -> None:
    many = {f"{n}.csv": b"a" * (5 * MB) for n in range(20)}
    results, peak = peak_of(lambda: read(zipped(many), "x.zip"))
    assert refusals(results) == {
        "x.zip": "unpacks to more than 64 MB, which no export of its size does; nothing of it is taken"
    }
    assert peak < 40 * MB


def test_a_hundred_thousand_members_are_refused_without_looking_at_them(read: Read) -> None:
    entry = b"PK\x01\x02" + bytes(24) + struct.pack("<H", 6) + bytes(16) + b"000000"
    directory = entry * 100_000
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 10, 10, len(directory), 4, 0)
    results, peak = peak_of(lambda: read(b"PK\x03\x04" + directory + end, "x.zip"))
    assert refusals(results) == {"x.zip": "an archive of too many files; expected 20000 at most"}
    assert peak < 40 * MB


def test_a_register_dump_has_its_limit(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    from ingest import contents

    dump = b"t,u,a,w\n" + b"2025-06-01T12:00:00Z,1,1,7\n" * 100_000
    assert values(read(dump, source=DUMP)) == {"x.csv": [7]}
    monkeypatch.setattr(contents, "HELD", MB)
    for data, name in ((dump, "x.csv"), (gzip.compress(dump), "x.csv"), (zipped({"d": dump}), "x.csv/d")):
        assert refusals(read(data, source=DUMP)) == {
            name: "larger than 1 MB; a register dump is read as a whole, as its polls may lie anywhere in it; "
            "expected it in smaller files"
        }
