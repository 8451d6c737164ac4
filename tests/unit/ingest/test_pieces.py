"""A large text read in pieces gives what it gives as a whole, with little memory, or one clear reject."""

from __future__ import annotations

import os
import tracemalloc
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from ingest import arrivals, contents, pieces
from ingest.arrivals import Arrival, list_arrivals
from ingest.contents import Changed, look_into, read_content
from ingest.readings import ReadResult
from ingest.sources import TableSource

MB = 1 << 20
FORM = "%d/%m/%Y %H:%M"
WIDE = {
    "id": "log", "kind": "table", "files": "*", "interval_minutes": 5,
    "time": {"column": "t", "zone": "Europe/London", "format": FORM},
    "columns": [
        {"column": "p", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
        {"column": "q", "quantity": "ac_power", "of": "inverter:inv2", "unit": "W"},
    ],
}  # fmt: skip
LONG = {key: value for key, value in WIDE.items() if key != "columns"} | {
    "long": {"subject": "m", "value": "p", "quantity": "dc_power", "unit": "W"}
}
Readings = dict[tuple[str, int], float]


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sizes a thousandth of the real ones, so that a text of some hundred kilobytes is a large one."""
    monkeypatch.setattr(contents, "HELD", 1000)
    monkeypatch.setattr(pieces, "PIECE", 9000)
    monkeypatch.setattr(pieces, "_SAMPLE", 2000)
    monkeypatch.setattr(arrivals, "CHUNK", 1554)


def arrive(folder: Path, data: bytes) -> Arrival:
    (folder / "x.csv").write_bytes(data)
    (arrival,) = list_arrivals(folder, TableSource.model_validate(WIDE), now=0, settle_s=0).arrivals
    return arrival


def read(folder: Path, data: bytes, settings: dict[str, object] = WIDE) -> list[ReadResult]:
    source = TableSource.model_validate(settings)
    return [result for _, result in read_content(look_into(arrive(folder, data)), source)]


def readings(results: list[ReadResult]) -> Readings:
    """Every reading; of those of one time the last."""
    return {
        (channel.subject, start): value
        for result in results
        for table in result.tables
        for channel, values in table.columns.items()
        for start, value in zip(table.starts.tolist(), values.tolist(), strict=True)
        if value == value
    }


def told(results: list[ReadResult]) -> list[tuple[int | None, str, str, str]]:
    return [(r.line, r.field, r.text, r.reason) for result in results for r in result.rejects]


def times(first: datetime, days: int, step_min: int = 5) -> list[str]:
    zone = ZoneInfo("Europe/London")
    count = days * 1440 // step_min
    return [f"{(first + timedelta(minutes=step_min * n)).astimezone(zone):{FORM}}" for n in range(count)]


AUTUMN = times(datetime(2024, 10, 20, tzinfo=UTC), 12)  # the clocks went back on the 27th


def wide_rows() -> list[str]:
    rows = [f"{at};{n % 777 / 10:.1f};{n % 91}".replace(".", ",") for n, at in enumerate(AUTUMN)]
    rows[100] = "broken;1;2"
    rows[1500] = "01/09/2024 00:00;x;1"
    rows[1700] = "18/10/2024 10:00;1"
    rows[2000] = rows[1999]
    return rows


def as_whole(
    folder: Path, data: bytes, monkeypatch: pytest.MonkeyPatch, settings: dict[str, object]
) -> list[ReadResult]:
    with monkeypatch.context() as patch:
        patch.setattr(contents, "HELD", 32 * MB)
        whole = read(folder, data, settings)
    assert len(whole) == 1
    return whole


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le"])
def test_pieces_give_what_the_whole_gives(
    encoding: str, ends: str, tmp_path: Path, small_pieces: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "Anlage Müller\n\nt;p;q\n" + "\n".join(wide_rows()) + "\nSumme;12;3\n"
    data = text.replace("\n", ends).encode(encoding)
    whole = as_whole(tmp_path, data, monkeypatch, WIDE)
    parts = read(tmp_path, data)
    assert len(parts) > 5
    assert readings(parts) == readings(whole)
    assert told(parts) == told(whole)
    assert sorted(line for line, *_ in told(parts) if line is not None) == [104, 1504, 1704]
    assert sum(part.rows for part in parts) == whole[0].rows
    assert {note for part in parts for note in part.notes} == set(whole[0].notes)
    assert parts[0].dialect is not None
    assert (parts[0].dialect, parts[0].dialect.decimal) == (whole[0].dialect, ",")


@pytest.mark.parametrize("size", range(2000, 6000, 500))
@pytest.mark.parametrize("backwards", [False, True])
def test_the_repeated_hour_is_not_cut_apart(
    backwards: bool, size: int, tmp_path: Path, small_pieces: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pieces, "PIECE", size)
    rows = [f"{at},{n},1\n" for n, at in enumerate(AUTUMN)]
    data = "".join(["t,p,q\n", *(reversed(rows) if backwards else rows)]).encode()
    parts = read(tmp_path, data)
    assert len(parts) > 4
    first = int(datetime(2024, 10, 20, tzinfo=UTC).timestamp())
    expected = {("inverter:inv1", first + 300 * n): float(n) for n in range(len(AUTUMN))}
    assert {key: value for key, value in readings(parts).items() if key[0] == "inverter:inv1"} == expected
    assert told(parts) == []
    back = datetime(2024, 10, 27, 1, tzinfo=UTC).timestamp()
    ends = [int(at) for part in parts for at in (part.tables[0].starts[0], part.tables[0].starts[-1])]
    assert min(abs(at - back) for at in ends) > 2 * 3600


@pytest.mark.parametrize("by_module", [False, True])
def test_the_repeated_hour_of_a_long_table_is_not_cut_apart(
    by_module: bool, tmp_path: Path, small_pieces: None
) -> None:
    modules = range(1, 9)
    stamps = times(datetime(2024, 10, 26, tzinfo=UTC), 3)
    pairs = [(n, m) for m in modules for n in range(len(stamps))]
    rows = [f"{stamps[n]},A-{m:02d},{n}\n" for n, m in (pairs if by_module else sorted(pairs))]
    parts = read(tmp_path, "".join(["t,m,p\n", *rows]).encode(), LONG)
    assert len(parts) > 4
    first = int(datetime(2024, 10, 26, tzinfo=UTC).timestamp())
    assert readings(parts) == {(f"module:A/{m:02d}", first + 300 * n): float(n) for n, m in pairs}


def test_a_decimal_comma_that_was_proven_holds_for_the_rest(tmp_path: Path, small_pieces: None) -> None:
    stamps = times(datetime(2024, 6, 1, tzinfo=UTC), 12)
    rows = [f"{at};{'0,5' if n < 50 else '1,234'};1\n" for n, at in enumerate(stamps)]
    parts = read(tmp_path, "".join(["t;p;q\n", *rows]).encode())
    assert told(parts) == []
    assert set(readings(parts).values()) == {0.5, 1.234, 1.0}


def test_what_is_wrong_with_the_header_is_told_once(tmp_path: Path, small_pieces: None) -> None:
    rows = "".join(f"{at},1\n" for at in AUTUMN)
    parts = read(tmp_path, ("t,p\n" + rows).encode())
    assert told(parts) == [(1, "q", "t, p", "there is no column 'q'; the file has t, p")]
    assert len(readings(parts)) == len(AUTUMN)
    (refused,) = read(tmp_path, ("t,v\n" + rows).encode())
    assert [(line, field) for line, field, *_ in told([refused])] == [(1, "p"), (1, "q")]
    (nothing,) = read(tmp_path, rows.encode())
    assert told([nothing])[0][3].startswith("no complete header line in the first 50 lines")


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda rows: [*rows[:2000], "\0", *rows[2000:]], "line 2002 holds a zero byte"),
        (lambda rows: [*rows[:2000], "x" * 65_537 + "\n", *rows[2000:]], "line 2002 is longer than 65536 bytes"),
        (lambda rows: [*rows[:2000], "\x81\n", *rows[2000:]], "line 2002 is neither UTF-8 nor Windows-1252 text"),
    ],
)
def test_a_text_that_is_none_is_refused_as_a_whole(
    spoil: Callable[[list[str]], list[str]], why: str, tmp_path: Path, small_pieces: None
) -> None:
    data = "".join(["t,p,q\n", *spoil([f"{at},1,2\n" for at in AUTUMN])]).encode("latin-1")
    results = read(tmp_path, data)
    assert readings(results) == {}
    ((line, field, text, reason),) = told(results)
    assert (line, field, text) == (None, "", "")
    assert reason.startswith(why)


def test_a_partial_last_line_is_set_aside_by_its_number(tmp_path: Path, small_pieces: None) -> None:
    data = "".join(["t,p,q\n", *(f"{at},1,2\n" for at in AUTUMN)]).encode()
    parts = read(tmp_path, data[:-2])
    ((line, _, _, reason),) = told(parts)
    assert line == len(AUTUMN) + 1
    assert reason.startswith("the last line is partial")
    assert len(readings(parts)) == 2 * len(AUTUMN) - 2


def test_a_file_that_changes_while_it_is_read_is_not_believed(tmp_path: Path, small_pieces: None) -> None:
    rows = [f"{at},1,2\n" for at in AUTUMN]
    source = TableSource.model_validate(WIDE)
    content = look_into(arrive(tmp_path, "".join(["t,p,q\n", *rows]).encode()))
    reading = read_content(content, source)
    assert next(reading)[1].rows > 0
    with (tmp_path / "x.csv").open("a") as file:
        file.write(rows[0])
    with pytest.raises(Changed, match="x.csv: changed while it was read; the next pass takes it"):
        list(reading)


def test_a_file_that_is_cut_while_it_is_read_is_no_damaged_one(tmp_path: Path, small_pieces: None) -> None:
    content = look_into(arrive(tmp_path, "".join(["t,p,q\n", *(f"{at},1,2\n" for at in AUTUMN)]).encode()))
    os.truncate(tmp_path / "x.csv", 0)
    (tmp_path / "x.csv").write_bytes(b"\0" * 5000)
    with pytest.raises(Changed, match="changed while it was read"):
        list(read_content(content, TableSource.model_validate(WIDE)))


def test_a_huge_single_line_costs_little_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contents, "HELD", 4 * MB)
    with (tmp_path / "x.csv").open("wb") as file:
        for _ in range(64):
            file.write(b"7" * MB)
    (arrival,) = list_arrivals(tmp_path, TableSource.model_validate(WIDE), now=0, settle_s=0).arrivals
    tracemalloc.start()
    results = [result for _, result in read_content(look_into(arrival), TableSource.model_validate(WIDE))]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert told(results) == [(None, "", "", "line 1 is longer than 65536 bytes; expected a table of text")]
    assert peak < 16 * MB


def test_a_million_columns_are_one_reject(tmp_path: Path) -> None:
    header = ",".join(f"c{n}" for n in range(1_000_000))
    (result,) = read(tmp_path, f"t,{header}\n1{',1' * 1_000_000}\n".encode())
    assert told([result]) == [(None, "", "", "line 1 is longer than 65536 bytes; expected a table of text")]


def test_formulas_and_control_characters_are_no_numbers(tmp_path: Path) -> None:
    cells = ["=1+2", "@SUM(A1)", "+cmd|' /C x'!A1", "\x1b[31m7", "\u202e7", "=" + "A" * 5000]
    rows = [f"01/06/2025 12:{5 * n:02d};{cell};1\n" for n, cell in enumerate(cells)]
    (result,) = read(tmp_path, "".join(["t;p;q\n", *rows]).encode())
    assert [(line, field, reason) for line, field, _, reason in told([result])] == [
        (n + 2, "p", "not a number") for n in range(len(cells))
    ]
    texts = [text for _, _, text, _ in told([result])]
    assert texts[:3] == cells[:3]
    assert all(len(text) <= 80 and text.isprintable() for text in texts)
