"""Files read together are what each of them is when read alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.readers import read_file
from ingest.readers.alike import read_alike
from ingest.readings import ReadResult
from ingest.sources import TableSource

SOURCE = TableSource.model_validate(
    {
        "id": "log", "kind": "table", "files": "*.csv", "interval_minutes": 30,
        "time": {"column": "Time", "zone": "Europe/London", "format": "%d/%m/%Y %H:%M", "marks": "end"},
        "columns": [
            {"column": "W", "quantity": "ac_power", "of": "inverter:i1", "unit": "W"},
            {"column": "kWh", "quantity": "ac_energy", "of": "inverter:i1", "unit": "kWh", "reads": "counter"},
        ],
    }
)  # fmt: skip
HEAD = "Inverter log\nTime,W,kWh\n"


def day(text: str, *, start: float) -> bytes:
    """Half an hour's rows of one day."""
    rows = [f"{text} {n // 2:02d}:{n % 2 * 30:02d},{n * 10},{start + n / 10:.1f}" for n in range(48)]
    return (HEAD + "\n".join(rows) + "\n").encode()


FIRST, SECOND = day("01/06/2026", start=100.0), day("02/06/2026", start=104.8)
AUTUMN = (HEAD + "\n".join(
    f"25/10/2026 {hour},{w},{kwh}"
    for hour, w, kwh in [("00:30", 0, 1), ("01:00", 1, 2),
                         ("01:30", 2, 3), ("01:00", 3, 4), ("01:30", 4, 5), ("02:00", 5, 6)]
) + "\n").encode()  # fmt: skip


def alone(files: list[tuple[str, bytes]]) -> list[ReadResult]:
    return [read_file(data, name=name, source=SOURCE) for name, data in files]


def assert_same(one: ReadResult, other: ReadResult) -> None:
    assert replace(one, tables=()) == replace(other, tables=())
    assert len(one.tables) == len(other.tables)
    for a, b in zip(one.tables, other.tables, strict=True):
        np.testing.assert_array_equal(a.starts, b.starts)
        assert a.columns.keys() == b.columns.keys()
        for channel, values in a.columns.items():
            np.testing.assert_array_equal(values, b.columns[channel])


@pytest.mark.parametrize(
    "contents",
    [
        [FIRST, SECOND],
        [FIRST, SECOND, FIRST.replace(b"\n", b"\r\n")],
        [SECOND, AUTUMN, FIRST],
        [FIRST, AUTUMN, AUTUMN],
        [FIRST, SECOND + b"02/06/2026 23:30,470,109.5\n"],
    ],
    ids=["two days", "other line ends", "a repeated hour", "two repeated hours", "a repeated row"],
)
def test_files_read_together_are_as_each_alone(contents: list[bytes]) -> None:
    files = [(f"day{n}.csv", data) for n, data in enumerate(contents)]
    together = read_alike(files, SOURCE)
    assert together is not None
    for one, other in zip(together, alone(files), strict=True):
        assert_same(one, other)


@pytest.mark.parametrize(
    "odd",
    [
        SECOND.replace(b"W,kWh", b"kWh,W", 1),
        SECOND.replace(b",470,", b",x,"),
        SECOND.replace(b"02/06/2026 12:00", b"soon"),
        SECOND[:-1],
        SECOND + b"Total,12,3\n",
        SECOND + b"\n",
        SECOND.replace(b"\n02/06/2026 12:00", b"\n\n02/06/2026 12:00"),
        SECOND.replace(b",470,109.5", b',470,"109,5"'),
        SECOND.replace(b"\n02/06/2026 12:00,", b"\n02/06/2026 12:00,1,"),
        SECOND.replace(b"02/06/2026", b"29/03/2026"),
        HEAD.encode(),
        b"",
    ],
    ids=[
        "other order of columns", "no number", "no time", "no last line end", "a sum", "a blank line at the end",
        "a blank line", "a decimal comma", "a cell too many", "the hour that is missing", "no rows", "empty",
    ],
)  # fmt: skip
@pytest.mark.parametrize("place", [0, 1])
def test_nothing_out_of_the_ordinary_is_read_together(odd: bytes, place: int) -> None:
    files = [("a.csv", FIRST), ("c.csv", FIRST)]
    files.insert(place, ("b.csv", odd))
    together = read_alike(files, SOURCE)
    for one, other in zip(together or (), alone(files), strict=False):
        assert_same(one, other)
    assert together is None or odd.endswith(b"\n\n")


def test_one_file_is_read_alone() -> None:
    assert read_alike([("a.csv", FIRST)], SOURCE) is None
