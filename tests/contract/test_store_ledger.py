"""What the ledger of files promises, on both databases."""

from __future__ import annotations

from typing import Any

from ingest.readings import Reject
from monitor.store import Store
from monitor.store.ledger import (
    FileRecord,
    KeptReject,
    SourceCount,
    count_files,
    list_files,
    list_rejects,
    record_file,
    record_files,
    seen,
    seen_many,
)


def record(path: str, content: str, at: int, **other: Any) -> FileRecord:
    fields = {"site": "larkrise", "source": "log", "size": 10, "config_hash": "c1", **other}
    return FileRecord(path=path, sha256=content, taken_at=at, **fields)


def reject(path: str, line: int | None, text: str = "x") -> Reject:
    return Reject(path, line, "AC power kW", text, "is no number")


def test_a_content_is_known_for_its_source_and_settings_only(store: Store) -> None:
    with store.write() as conn:
        record_file(conn, record("a.csv", "h1", 1))
        record_file(conn, record("b.csv", "h2", 1, state="refused", reason="no header"))
        known = {"site": "larkrise", "source": "log", "sha256": "h1", "config_hash": "c1"}
        assert seen(conn, **known)
        assert not any(seen(conn, **{**known, key: "other"}) for key in known)
        many = [f"x{n}" for n in range(2500)]  # more than one statement takes
        found = seen_many(conn, site="larkrise", source="log", hashes=[*many, "h2", "h1"], config_hash="c1")
        assert found == {"h1", "h2"}


def test_a_file_that_grew_stands_once_with_its_last_rejects(store: Store) -> None:
    grown = record("a.csv", "h2", 2, rows=9, readings_new=4, readings_same=3, conflicts=2, rejects=1)
    other = record("b.csv", "h3", 3, rejects=1)
    with store.write() as conn:
        first = [reject("a.csv", 1), reject("a.csv", 2)]
        record_files(conn, [(record("a.csv", "h1", 1, rejects=2), first), (other, [reject("b.csv", None)])])
        record_file(conn, grown, [reject("a.csv", 7)])
        assert list_files(conn) == [other, grown]
        assert list_rejects(conn) == [
            KeptReject("larkrise", "log", reject("b.csv", None)),
            KeptReject("larkrise", "log", reject("a.csv", 7)),
        ]
        assert seen(conn, site="larkrise", source="log", sha256="h1", config_hash="c1")


def test_content_that_comes_back_stands_again(store: Store) -> None:
    with store.write() as conn:
        for at, content in enumerate(["h1", "h2", "h1"]):
            record_file(conn, record("a.csv", content, at))
        assert list_files(conn) == [record("a.csv", "h1", 2)]


def test_what_a_content_brought_stays_counted_when_it_is_read_again(store: Store) -> None:
    """Two passes at once may both read a file; the second one finds all of it there."""
    with store.write() as conn:
        record_file(conn, record("a.csv", "h1", 1, readings_new=96, conflicts=3))
        record_file(conn, record("a.csv", "h1", 2, readings_same=99))
        record_file(conn, record("a.csv", "h1", 3, readings_same=99, readings_new=1))
        assert list_files(conn) == [record("a.csv", "h1", 3, readings_new=97, readings_same=99, conflicts=3)]


def test_lists_are_narrowed_and_shortened(store: Store) -> None:
    refused = record("b.csv", "h2", 2, site="elsewhere", state="refused", reason="not text", rejects=1)
    with store.write() as conn:
        record_file(conn, refused, [reject("b.csv", None)])
        record_file(conn, record("a.csv", "h1", 1, rejects=2), [reject("a.csv", 1), reject("a.csv", 2)])
        assert list_files(conn, state="refused") == list_files(conn, site="elsewhere") == [refused]
        assert [f.path for f in list_files(conn, limit=1)] == ["b.csv"]
        assert [k.reject.line for k in list_rejects(conn, site="larkrise")] == [1, 2]
        assert [k.reject.line for k in list_rejects(conn, limit=2)] == [None, 1]


def test_a_source_is_counted_as_its_files_stand(store: Store) -> None:
    with store.write() as conn:
        record_file(conn, record("a.csv", "h1", 1, rejects=5, conflicts=2))
        record_file(conn, record("a.csv", "h2", 4, rejects=2, conflicts=7))
        record_file(conn, record("b.csv", "h3", 9, rejects=1, state="refused", reason="no header"))
        record_file(conn, record("c.csv", "h4", 3, site="elsewhere", state="refused", reason="no header"))
        mine = SourceCount("larkrise", "log", files=2, refused=1, rejects=3, conflicts=9, last_taken_at=4)
        assert count_files(conn) == [SourceCount("elsewhere", "log", 1, 1, 0, 0, None), mine]
        assert count_files(conn, site="larkrise") == [mine]


def test_text_that_no_database_holds_is_kept_readable(store: Store) -> None:
    with store.write() as conn:
        for text in ("0\x00\x00", "0\x00"):
            record_file(conn, record("caf\udce9.csv", text, 1), [reject("caf\udce9.csv", 3, text)])
        (kept,) = list_rejects(conn)
    assert kept.reject == reject("caf?.csv", 3, "0\ufffd")


def test_a_reject_of_an_archive_names_the_file_inside(store: Store) -> None:
    inside, whole = reject("a.zip/day/1.csv", 4), reject("a.zip", None)
    with store.write() as conn:
        record_file(conn, record("a.zip", "h1", 1, rejects=2), [inside, whole])
        assert [kept.reject for kept in list_rejects(conn)] == [inside, whole]
