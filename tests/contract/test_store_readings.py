"""What keeping readings promises, on both databases."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select, update

from ingest.errors import StoreUnavailable
from ingest.readings import Channel, Table
from monitor.store import Store, schema
from monitor.store.readings import (
    Incoming,
    MergeCount,
    changed_days,
    forget_changed_days,
    list_channels,
    load_tables,
    merge_files,
    merge_tables,
    recorded_span,
)

DAY = 86400
DAY_0 = 20_000  # a UTC day, 4 October 2024
VOLT = Channel("string:s1", "dc_voltage", "mean", "V")
AMP = Channel("string:s1", "dc_current", "mean", "A")
WATT = Channel("meter:gen1", "ac_power", "mean", "kW")
GAP = float("nan")


def table(first: int, columns: dict[Channel, list[float]], step: int = 300) -> Table:
    """Rows from so many seconds after the start of DAY_0."""
    length = len(next(iter(columns.values())))
    starts = DAY_0 * DAY + first + step * np.arange(length, dtype=np.int64)
    return Table(starts, {channel: np.array(values) for channel, values in columns.items()})


def merge(store: Store, *tables: Table, source: str = "log", site: str = "larkrise") -> MergeCount:
    with store.write() as conn:
        return merge_tables(conn, site=site, source=source, tables=tables, now=1)


def load(store: Store, first: int = 0, last: int = 9, **options: Any) -> dict[str, Table]:
    with store.read() as conn:
        return load_tables(conn, site="larkrise", first_day=DAY_0 + first, last_day=DAY_0 + last, **options)


def same(left: Table, right: Table) -> bool:
    """Equal bit by bit."""
    return (
        np.array_equal(left.starts, right.starts)
        and left.columns.keys() == right.columns.keys()
        and all(left.columns[c].tobytes() == right.columns[c].tobytes() for c in left.columns)
    )


def test_readings_come_back_as_they_were_recorded(store: Store) -> None:
    odd = [0.1, -0.0, 1e300, 5e-324, GAP, float("inf"), float(np.float32(231.7)), 2**53 + 2.0, 3 * 0.01]
    given = table(0, {VOLT: odd, AMP: [float(n) for n in range(9)]})
    assert merge(store, given) == MergeCount(17, 0, 0, frozenset({DAY_0}))
    assert same(load(store)["log"], given)


@pytest.mark.parametrize("again", [4, 3])
def test_the_same_readings_again_change_nothing(store: Store, again: int) -> None:
    values = [300.5, 301.5, 302.5, 303.5]
    merge(store, table(DAY - 600, {VOLT: values}))
    with store.write() as conn:
        forget_changed_days(conn, "larkrise", changed_days(conn, "larkrise"))
        before = conn.execute(select(schema.block)).all()
    assert merge(store, table(DAY - 600, {VOLT: values[:again]})) == MergeCount(0, again, 0, frozenset())
    with store.read() as conn:
        assert conn.execute(select(schema.block)).all() == before
        assert changed_days(conn, "larkrise") == {}


def test_a_new_value_wins_and_a_gap_never_does(store: Store) -> None:
    merge(store, table(0, {VOLT: [1.0, 2.0, 3.0, GAP]}))
    assert merge(store, table(0, {VOLT: [1.0, GAP, 3.5, 4.0]})) == MergeCount(1, 1, 1, frozenset({DAY_0}))
    assert merge(store, table(300, {VOLT: [2.5]})) == MergeCount(0, 0, 1, frozenset({DAY_0}))
    assert load(store)["log"].columns[VOLT].tolist() == [1.0, 2.5, 3.5, 4.0]


def test_the_order_of_arrival_does_not_matter(store: Store) -> None:
    parts = [
        table(0, {VOLT: [1.0, 2.0], AMP: [0.1, GAP]}),
        table(DAY - 300, {AMP: [0.3, 0.4]}),
        table(300, {AMP: [0.2, 0.25]}),
    ]
    for number, order in enumerate(permutations(parts)):
        counts = [merge(store, part, source=f"s{number}") for part in order]
        assert [c.new for c in counts] == [{2: 2, 4: 3}[sum(x.size for x in p.columns.values())] for p in order]
    with store.read() as conn:
        blocks = conn.execute(select(schema.block.c.day, schema.block.c.n, schema.block.c.data)).all()
    assert len(set(blocks)) == 2  # bytes and all, whichever came first
    assert {(block.day - DAY_0, block.n) for block in blocks} == {(0, 6), (1, 1)}


def test_many_files_at_once_are_as_one_after_the_other(store: Store) -> None:
    rng = np.random.default_rng(5)
    files = []
    for _ in range(40):
        values = np.where(rng.random(9) < 0.2, GAP, np.round(rng.random(9) * 3))
        part = table(int(rng.integers(0, 500)) * 300, {(VOLT, AMP)[int(rng.integers(2))]: values.tolist()})
        files.append(Incoming("larkrise", ("a", "b")[int(rng.integers(2))], [part]))
    singly = [merge(store, *file.tables, source=file.source) for file in files]
    expected = load(store)
    with store.write() as conn:
        conn.execute(schema.block.delete())
        assert merge_files(conn, files, now=1) == singly
    loaded = load(store)
    assert loaded.keys() == expected.keys() == {"a", "b"}
    assert all(same(loaded[name], expected[name]) for name in loaded)
    given = sum(np.count_nonzero(~np.isnan(v)) for f in files for t in f.tables for v in t.columns.values())
    assert sum(c.new + c.same + c.conflicts for c in singly) == given
    kept = sum(np.count_nonzero(~np.isnan(v)) for t in loaded.values() for v in t.columns.values())
    assert sum(c.new for c in singly) == kept


def test_columns_of_one_source_with_different_times_share_an_axis(store: Store) -> None:
    merge(store, table(0, {VOLT: [1.0, 2.0, 3.0]}), table(300, {WATT: [0.5, 0.6]}, step=900))
    found = load(store)["log"]
    assert (found.starts - DAY_0 * DAY).tolist() == [0, 300, 600, 1200]
    np.testing.assert_array_equal(found.columns[VOLT], [1.0, 2.0, 3.0, GAP])
    np.testing.assert_array_equal(found.columns[WATT], [GAP, 0.5, GAP, 0.6])


def test_a_table_without_readings_leaves_no_trace(store: Store) -> None:
    nothing = Table(np.empty(0, dtype=np.int64), {})
    assert merge(store, nothing, table(0, {VOLT: [GAP, GAP]})) == MergeCount(0, 0, 0, frozenset())
    assert load(store) == {}
    with store.read() as conn:
        assert recorded_span(conn, "larkrise") is None
        assert list_channels(conn, "larkrise") == {}


def test_a_table_out_of_order_is_refused(store: Store) -> None:
    starts = np.array([600, 300], dtype=np.int64)
    with pytest.raises(ValueError, match="starts of a table must increase strictly"):
        merge(store, Table(starts, {VOLT: np.array([1.0, 2.0])}))


def test_what_is_asked_for_is_loaded_and_no_more(store: Store) -> None:
    for day in range(4):
        merge(store, table(day * DAY, {VOLT: [float(day)]}), source="a")
        merge(store, table(day * DAY, {AMP: [float(day)]}), source="b")
    merge(store, table(9 * DAY, {AMP: [1.0]}), site="elsewhere")
    found = load(store, 1, 2, sources=["b", "unknown"])
    assert list(found) == ["b"]
    assert found["b"].columns[AMP].tolist() == [1.0, 2.0]
    with store.read() as conn:
        assert recorded_span(conn, "larkrise") == (DAY_0, DAY_0 + 3)
        assert list_channels(conn, "larkrise") == {"a": (VOLT,), "b": (AMP,)}


def test_days_wait_to_be_assessed_until_they_are_forgotten(store: Store) -> None:
    merge(store, table(DAY - 300, {VOLT: [1.0, 2.0]}))
    merge(store, table(5 * DAY, {VOLT: [1.0]}), site="elsewhere")
    with store.write() as conn:
        waiting = changed_days(conn, "larkrise")
        assert waiting.keys() == {DAY_0, DAY_0 + 1}
        forget_changed_days(conn, "larkrise", {DAY_0: waiting[DAY_0]})
        assert changed_days(conn, "larkrise").keys() == {DAY_0 + 1}
        assert changed_days(conn, "elsewhere").keys() == {DAY_0 + 5}
    merge(store, table(0, {VOLT: [7.0]}))
    with store.read() as conn:
        assert changed_days(conn, "larkrise").keys() == {DAY_0, DAY_0 + 1}


@pytest.mark.parametrize("later_s", [0, 1, 900, -900])
def test_a_day_that_changed_after_it_was_looked_at_is_not_forgotten(store: Store, later_s: int) -> None:
    now = 1_750_000_000

    def change(value: float, at: int) -> dict[int, int]:
        with store.write() as conn:
            given = [table(DAY - 300, {VOLT: [1.0, value]})]
            merge_tables(conn, site="larkrise", source="log", tables=given, now=at)
            return changed_days(conn, "larkrise")

    seen = change(2.0, now)
    again = change(3.0, now + later_s)  # the second of the two days
    assert again[DAY_0] == seen[DAY_0] == now
    with store.write() as conn:
        forget_changed_days(conn, "larkrise", seen)
        assert changed_days(conn, "larkrise") == {DAY_0 + 1: again[DAY_0 + 1]}
        forget_changed_days(conn, "larkrise", again)
        assert changed_days(conn, "larkrise") == {}


@pytest.mark.parametrize("damaged", [b"", b"\x07what", b"\x01what"])
def test_a_damaged_block_is_told_and_not_overwritten(store: Store, damaged: bytes) -> None:
    merge(store, table(0, {VOLT: [1.0]}))
    with store.write() as conn:
        conn.execute(update(schema.block).values(data=damaged))
    told = rf"the store is damaged: block of source \d+, day {DAY_0}: it(s format is| does not unpack)"
    with pytest.raises(StoreUnavailable, match=told):
        load(store)
    with pytest.raises(StoreUnavailable, match=told):
        merge(store, table(0, {VOLT: [2.0]}))
    with store.read() as conn:
        assert conn.execute(select(schema.block.c.data)).scalar_one() == damaged
