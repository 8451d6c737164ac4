"""Several writers at once, and writers that are killed, on both databases."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from sqlalchemy import func, select

from ingest.readings import Channel
from monitor.store import Store, schema
from monitor.store.readings import load_tables

CHANNEL = Channel("meter:gen1", "ac_power", "mean", "W")

WRITER = """
import sys
from pathlib import Path
import numpy as np
from ingest.readings import Channel, Table
from monitor.store import Store
from monitor.store.readings import merge_tables

url, folder, first, step, count, size = sys.argv[1], Path(sys.argv[2]), *map(int, sys.argv[3:])
channel = Channel("meter:gen1", "ac_power", "mean", "W")
store = Store.open(url, folder)
print("open", flush=True)
sys.stdin.readline()
for number in range(first, first + step * count, step):
    # one transaction: a reading in each of `size` days
    starts = number * 60 + 86400 * np.arange(size, dtype=np.int64)
    table = Table(starts, {channel: np.full(size, float(number))})
    with store.write() as conn:
        merge_tables(conn, site="larkrise", source="log", tables=[table], now=1)
    print(number, flush=True)
"""


def start_writer(place: Any, numbers: Sequence[int]) -> subprocess.Popen[str]:
    """A process with an open store that waits for a word before it writes."""
    command = [sys.executable, "-c", WRITER, place.url, str(place.folder), *map(str, numbers)]
    writer = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert writer.stdout
    assert writer.stdout.readline() == "open\n"
    return writer


def tell(writer: subprocess.Popen[str]) -> None:
    assert writer.stdin
    writer.stdin.write("go\n")
    writer.stdin.flush()


def test_two_processes_that_write_at_once_lose_nothing(store: Store, place: Any) -> None:
    count = 40
    writers = [start_writer(place, (first, 2, count, 1)) for first in (0, 1)]
    for writer in writers:
        tell(writer)
    for writer in writers:
        writer.communicate()
        assert writer.returncode == 0
    with store.read() as conn:
        found = load_tables(conn, site="larkrise", first_day=0, last_day=0)["log"]
        assert conn.execute(select(schema.block.c.n)).scalar_one() == 2 * count
    np.testing.assert_array_equal(found.columns[CHANNEL], np.arange(2.0 * count))


@pytest.mark.parametrize("written_before", [1, 4])
def test_a_writer_killed_half_way_leaves_all_of_a_transaction_or_nothing(
    store: Store, place: Any, written_before: int
) -> None:
    days = 120
    with start_writer(place, (0, 1, 1000, days)) as writer:
        tell(writer)
        assert writer.stdout
        told = [int(writer.stdout.readline()) for _ in range(written_before)]
        writer.kill()
        told += [int(line) for line in writer.stdout.read().split()]
    with store.write() as conn:  # nothing is left locked
        sizes = set(conn.execute(select(schema.block.c.n).distinct()).scalars())
        assert conn.execute(select(func.count()).select_from(schema.block)).scalar_one() == days
        assert conn.execute(select(func.count()).select_from(schema.changed_day)).scalar_one() == days
        found = load_tables(conn, site="larkrise", first_day=0, last_day=days)["log"]
    (size,) = sizes  # each day has as many readings as every other
    assert size in (len(told), len(told) + 1)
    np.testing.assert_array_equal(found.columns[CHANNEL], np.tile(np.arange(float(size)), days))
