"""What the store promises about files that were looked at, on both databases."""

from __future__ import annotations

from typing import Any

import pytest

from ingest.readings import Reject
from monitor.store import Store
from monitor.store.ledger import FileRecord, list_files, list_rejects, record_file
from monitor.store.sightings import Known, Sighting, forget_missing, known_files, note_sightings

HERE = {"site": "larkrise", "source": "log"}


def record(path: str, content: str, **other: Any) -> FileRecord:
    return FileRecord(path=path, sha256=content, size=1, taken_at=1, config_hash="c1", **HERE, **other)


def sighting(path: str, content: str, **other: Any) -> Sighting:
    return Sighting(**{"path": path, "sha256": content, "config_hash": "c1", "stamp": "s1", **HERE, **other})


def test_a_path_is_known_when_the_ledger_has_what_lay_there(store: Store) -> None:
    with store.write() as conn:
        record_file(conn, record("b.csv", "h2", read_again_at=77))
        record_file(conn, record("a.csv", "h1"))
        strangers = [sighting("c.csv", "h3"), sighting("d.csv", "h1", config_hash="c2")]
        elsewhere = sighting("a.csv", "h1", source="other")
        note_sightings(conn, [sighting("a.csv", "h1"), sighting("b.csv", "h2", stamp=None), *strangers, elsewhere])
        known = known_files(conn, **HERE)
        assert known == {
            "a.csv": Known("h1", "c1", "s1", None, known["a.csv"].place),
            "b.csv": Known("h2", "c1", None, 77, known["b.csv"].place),
        }
        assert known["b.csv"].place < known["a.csv"].place


def test_the_last_sighting_of_a_path_holds(store: Store) -> None:
    with store.write() as conn:
        record_file(conn, record("a.csv", "h1"))
        record_file(conn, record("a.csv", "h2"))
        note_sightings(conn, [sighting("a.csv", "h1")])
        note_sightings(conn, [sighting("a.csv", "h2", stamp="s2")])
        assert known_files(conn, **HERE)["a.csv"].stamp == "s2"


def test_a_refused_file_that_is_gone_is_forgotten_with_its_rejects(store: Store) -> None:
    with store.write() as conn:
        for path, content, state in (("a.csv", "h1", "refused"), ("b.csv", "h2", "taken"), ("c.csv", "h3", "refused")):
            record_file(conn, record(path, content, state=state), [Reject(path, 1, "", "", "why")])
            note_sightings(conn, [sighting(path, content)])
        assert forget_missing(conn, **HERE, present={"c.csv"}) == ("a.csv",)
        assert [f.path for f in list_files(conn)] == ["c.csv", "b.csv"]  # what was taken stays
        assert [k.reject.file for k in list_rejects(conn)] == ["c.csv", "b.csv"]
        assert set(known_files(conn, **HERE)) == {"c.csv"}
        assert forget_missing(conn, site="elsewhere", source="log", present=set()) == ()
        assert len(list_files(conn)) == 2


def test_a_copy_of_a_forgotten_refusal_is_not_known(store: Store) -> None:
    with store.write() as conn:
        record_file(conn, record("a.csv", "h1", state="refused"))
        note_sightings(conn, [sighting("a.csv", "h1"), sighting("copy.csv", "h1")])
        forget_missing(conn, **HERE, present={"copy.csv"})
        assert known_files(conn, **HERE) == {}


@pytest.mark.parametrize("count", [0, 2500])
def test_many_files_are_looked_up_and_forgotten(count: int, store: Store) -> None:
    with store.write() as conn:
        note_sightings(conn, [sighting(f"{n}.csv", "h1") for n in range(count)])
        record_file(conn, record("first.csv", "h1"))
        assert len(known_files(conn, **HERE)) == count
        forget_missing(conn, **HERE, present={"0.csv"})
        assert len(known_files(conn, **HERE)) == min(count, 1)
