"""A site's memory is the same from its packed parts, from daily rows, and from any mixture of both."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Connection

from monitor.model.history import MEMORY_DAYS, SiteHistory
from monitor.nightly.memory import PART_DAYS, keep_memory, note_of, remember, remember_all
from monitor.store import Store, schema
from monitor.store.daily import DailyRow, drop_daily, write_daily
from monitor.store.memory import read_memory

FIRST = date(2024, 1, 1)


@pytest.fixture
def conn(tmp_path: Path) -> Iterator[Connection]:
    store = Store.open("sqlite:///aftercare.db", tmp_path)
    with store.write() as conn:
        yield conn
    store.close()


def night(n: int) -> list[DailyRow]:
    """Rows of a night; names come and go, and one subject is missing now and then."""
    random, day = np.random.default_rng(n), FIRST + timedelta(n)
    values = random.uniform(0.0, 10.0, 6).tolist()
    features = {"clear_sky": values[0], f"says:{n // 90}": 1.0, "off:weather": values[1] if n % 4 else None}
    rows = [
        DailyRow(site="larkrise", subject="site", day=day, usable=0.5, features={"index": values[2]}),
        DailyRow(site="larkrise", subject="string:s1", day=day, expected_kwh=values[3], features=features),
    ]
    return rows if n % 7 else [*rows, DailyRow(site="larkrise", subject="meter:m", day=day, measured_kwh=values[4])]


def live(conn: Connection, nights: range, *, kept_every: int = 1) -> SiteHistory:
    """Nights one after the other, as passes of so many nights leave them; the history as it is in memory then."""
    history = SiteHistory()
    write_daily(conn, [row for n in nights for row in night(n)])
    for n in nights:
        history.add(note_of(row) for row in night(n))
        if n % kept_every == 0:
            stored = {p.part: p.until for p in read_memory(conn, ["larkrise"], since=0)["larkrise"]}
            keep_memory(conn, [("larkrise", history, stored)])
    return history


def told(history: SiteHistory) -> dict[tuple[str, str], tuple[list[int], list[float]]]:
    """All that a history can say."""
    names = {(s, name) for s in history.subjects() for name in history.nights(s, MEMORY_DAYS).named("")}
    series = {(s, name): history.series(s, name) for s, name in names}
    return {key: (days.tolist(), values.tolist()) for key, (days, values) in series.items()}


def without_parts(conn: Connection, first: date) -> SiteHistory:
    conn.execute(schema.memory.delete())
    return remember(conn, "larkrise", first)


@pytest.mark.parametrize("kept_every", [1, 37, 10_000])
def test_a_memory_is_the_same_however_it_was_kept(conn: Connection, kept_every: int) -> None:
    count = MEMORY_DAYS + 130
    history = live(conn, range(count), kept_every=kept_every)
    first = FIRST + timedelta(count)
    assert told(remember(conn, "larkrise", first)) == told(history) == told(without_parts(conn, first))
    days, _ = history.series("site", "index")
    assert days.size == MEMORY_DAYS


@pytest.mark.parametrize("back_to", [1, 60, 99, 100, 101, 250, 299])
def test_after_a_rewind_nothing_of_the_days_taken_back_is_remembered(conn: Connection, back_to: int) -> None:
    live(conn, range(300), kept_every=10)
    first = FIRST + timedelta(back_to)
    before = told(remember(conn, "larkrise", first))
    drop_daily(conn, site="larkrise", from_day=first)
    assert told(remember(conn, "larkrise", first)) == before == told(without_parts(conn, first))
    assert max(days[-1] for days, _ in before.values()) == first.toordinal() - 1


def test_a_day_long_past_is_remembered_as_it_was_then(conn: Connection) -> None:
    live(conn, range(700), kept_every=50)
    for n in (3, 250, 600):
        history = SiteHistory()
        for m in range(n):
            history.add(note_of(row) for row in night(m))
        assert told(remember(conn, "larkrise", FIRST + timedelta(n))) == told(history)


def test_a_store_from_before_there_were_parts_is_taken_over(conn: Connection) -> None:
    count = MEMORY_DAYS + 260
    history = live(conn, range(count), kept_every=10_000)
    conn.execute(schema.memory.delete())
    keep_memory(conn, [("larkrise", history, {})])
    parts = read_memory(conn, ["larkrise"], since=0)["larkrise"]
    assert not parts[0].first
    assert parts[0].part * PART_DAYS > FIRST.toordinal() + 260
    for back_to in (count, count - 100, count - 300):
        first = FIRST + timedelta(back_to)
        assert told(remember(conn, "larkrise", first)) == told(without_parts_kept(conn, first))


def without_parts_kept(conn: Connection, first: date) -> SiteHistory:
    """From rows alone, with the parts left where they are."""
    held = conn.execute(schema.memory.select()).mappings().all()
    history = without_parts(conn, first)
    conn.execute(schema.memory.insert(), [dict(row) for row in held])
    return history


def test_only_the_part_that_is_not_over_is_written_again(conn: Connection) -> None:
    history = live(conn, range(260), kept_every=1)
    before = {p.part: p.data for p in read_memory(conn, ["larkrise"], since=0)["larkrise"]}
    _, stored = remember_all(conn, {"larkrise": FIRST + timedelta(260)})["larkrise"]
    history.add(note_of(row) for row in night(260))
    conn.execute(schema.memory.update().values(data=b"untouched"))
    keep_memory(conn, [("larkrise", history, stored)])
    after = {p.part: p.data for p in read_memory(conn, ["larkrise"], since=0)["larkrise"]}
    assert [part for part, data in after.items() if data != b"untouched"] == [max(before)]


def test_a_damaged_part_is_no_harm(conn: Connection) -> None:
    history, first = live(conn, range(150), kept_every=10), FIRST + timedelta(150)
    for damage in (b"", b"nonsense", read_memory(conn, ["larkrise"], since=0)["larkrise"][0].data[:-9]):
        conn.execute(schema.memory.update().values(data=damage))
        again, stored = remember_all(conn, {"larkrise": first})["larkrise"]
        assert told(again) == told(history)
        assert stored == {}
