"""What every reader promises, for every kind in the table of readers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from pydantic import TypeAdapter

from ingest.readers import READERS, read_file
from ingest.readings import ReadResult
from ingest.sources import FileSource, Source

TIME = {"column": "t", "zone": "UTC"}
SAMPLES: dict[str, tuple[dict[str, object], str]] = {
    "wide": (
        {
            "kind": "table",
            "time": TIME | {"format": "%d/%m/%Y %H:%M"},
            "columns": [
                {"column": "V", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"},
                {"column": "E", "quantity": "ac_energy", "of": "inverter:inv1", "unit": "kWh", "reads": "counter"},
            ],
        },
        "t,V,E\n01/06/2026 12:00,310.5,1234.56\n01/06/2026 12:30,311.25,1235.01\n01/06/2026 13:00,,1235.5\n",
    ),
    "wide, decimal comma": (
        {
            "kind": "table",
            "time": TIME,
            "columns": [{"column": "V", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"}],
        },
        "A title\n\nt;V\n2026-06-01T12:00:00Z;310,5\n2026-06-01T12:30:00Z;311,25\nTotal;621,75\n",
    ),
    "long": (
        {
            "kind": "table",
            "time": TIME,
            "long": {"subject": "m", "value": "w", "quantity": "dc_power", "unit": "W"},
        },
        "t,m,w\n2026-06-01T12:00:00Z,s1-01,250.5\n2026-06-01T12:00:00Z,s1-02,251\n2026-06-01T12:30:00Z,s1-01,260\n",
    ),
    "date and clock time": (
        {
            "kind": "table",
            "time": TIME | {"clock_column": "c", "format": "%m/%d/%Y %I:%M %p"},
            "columns": [{"column": "V", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"}],
            "text": {"decimal": ",", "thousands": ".", "missing": ["ERR"]},
        },
        "t;c;V\n6/1/2026;12:00 PM;1.310,5\n6/1/2026;12:30 PM;311,25\n6/1/2026;1:00 PM;ERR\n",
    ),
    "row a day": (
        {
            "kind": "table",
            "time": TIME | {"format": "%d.%m.%Y"},
            "across": {"quantity": "import_energy", "of": "meter:grid", "unit": "kWh", "reads": "interval"},
        },
        "t,12:00,12:30,Sum\n01.06.2026,0.25,0.5,0.75\n02.06.2026,0.125,,0.125\n",
    ),
    "registers": (
        {
            "kind": "registers",
            "time": TIME,
            "registers": {"unit_id": "u", "address": "a", "word": "w"},
            "map": [
                {"unit_id": 3, "address": 10, "type": "uint32", "scale": 0.01, "quantity": "ac_energy",
                 "of": "meter:gen1", "unit": "kWh", "reads": "counter"},
            ],
        },
        "t,u,a,w\n2026-06-01T12:00:00Z,3,10,1\n2026-06-01T12:00:00Z,3,11,0x1234\n"
        "2026-06-01T12:30:00Z,3,10,1\n2026-06-01T12:30:00Z,3,11,4700\n",
    ),
    "sunspec registers": (
        {
            "kind": "registers",
            "time": TIME,
            "registers": {"unit_id": "u", "address": "a", "word": "w"},
            "model": "sunspec",
            "base_address": 0,
            "subjects": {"inputs": ["string:s1"]},
        },
        "t,u,a,w\n"
        + "".join(
            f"2026-06-01 12:00,3,{address},{word}\n"
            for address, word in {
                0: 0x5375, 1: 0x6E53, 2: 160, 3: 28, 4: 0xFFFE, 5: 0xFFFF, 6: 0, 21: 850, 22: 3805, 23: 3234,
                32: 0xFFFF,
            }.items()
        ),
    ),
}  # fmt: skip


def source(name: str) -> FileSource:
    given = {"id": "s", "files": "x", "interval_minutes": 30} | SAMPLES[name][0]
    found: FileSource = TypeAdapter(Source).validate_python(given)
    return found


def read(name: str, data: bytes) -> ReadResult:
    return read_file(data, name="x.csv", source=source(name))


def readings(result: ReadResult) -> Iterator[tuple[object, int, float]]:
    for table in result.tables:
        for channel, values in table.columns.items():
            for row in np.flatnonzero(~np.isnan(values)):
                yield channel, int(table.starts[row]), float(values[row])


def rows_of(name: str) -> list[str]:
    return SAMPLES[name][1].splitlines()


def test_every_reader_has_a_sample() -> None:
    assert {str(given["kind"]) for given, _ in SAMPLES.values()} == set(READERS)


@pytest.mark.parametrize("name", SAMPLES)
def test_a_good_file_is_read_whole(name: str) -> None:
    result = read(name, SAMPLES[name][1].encode())
    assert result.rejects == ()
    counts = {"wide": 5, "wide, decimal comma": 2, "long": 3, "registers": 2, "sunspec registers": 3}
    counts |= {"date and clock time": 2, "row a day": 3}
    assert len(list(readings(result))) == counts[name]


@pytest.mark.parametrize("name", SAMPLES)
def test_tables_are_in_order_and_rectangular(name: str) -> None:
    for table in read(name, SAMPLES[name][1].encode()).tables:
        assert np.all(np.diff(table.starts) > 0)
        assert {values.shape for values in table.columns.values()} == {table.starts.shape}


@pytest.mark.parametrize(
    ("name", "encoding"),
    [*((name, encoding) for name in SAMPLES for encoding in ("utf-8", "utf-8-sig", "utf-16")), ("wide", "utf-16-le")],
)
def test_a_file_cut_at_any_byte_gives_no_number_that_it_did_not_hold(name: str, encoding: str) -> None:
    data = SAMPLES[name][1].encode(encoding)
    whole = set(readings(read(name, data)))
    for cut in range(len(data)):
        result = read(name, data[:cut])
        assert set(readings(result)) <= whole, f"cut at byte {cut}"
        assert result.rejects or result.tables or result.notes, f"cut at byte {cut}: nothing is said"


@pytest.mark.parametrize("name", [name for name in SAMPLES if name != "row a day"])  # names one column alone
def test_an_absent_column_is_one_clear_reject(name: str) -> None:
    lines = rows_of(name)
    delimiter = ";" if ";" in SAMPLES[name][1] else ","
    at = next(i for i, line in enumerate(lines) if line.startswith("t" + delimiter))
    columns = lines[at].split(delimiter)
    for gone, column in enumerate(columns):
        cells = [line.split(delimiter) for line in lines]
        text = "\n".join(delimiter.join(c[:gone] + c[gone + 1 :]) if len(c) > 1 else c[0] for c in cells) + "\n"
        (reject,) = read(name, text.encode()).rejects
        left = ", ".join(c for c in columns if c != column)
        assert repr(column) in reject.reason or reject.reason.startswith("no complete header line")
        assert left in reject.reason or left in reject.text or reject.reason.startswith("no complete header line")


@pytest.mark.parametrize(
    "data", [b"", b"\0", b"\n\n\n", b"\x1f\x8b\x08", bytes(range(256)), b'"' * 1000, b"\xff\xfe\xff"]
)
@pytest.mark.parametrize("name", SAMPLES)
def test_what_is_no_export_is_one_reject(name: str, data: bytes) -> None:
    result = read(name, data)
    assert result.tables == ()
    (reject,) = result.rejects
    assert (reject.file, reject.line) == ("x.csv", None)


@pytest.mark.parametrize("blanks", [0, 100])
@pytest.mark.parametrize("name", SAMPLES)
def test_a_header_alone_is_told_and_nothing_is_set_aside(name: str, blanks: int) -> None:
    lines = rows_of(name)
    at = next(i for i, line in enumerate(lines) if line.startswith("t"))
    blank = "\n" * blanks
    result = read(name, ("\n".join(lines[: at + 1]) + "\n" + blank).encode())
    assert (result.tables, result.rejects, result.rows) == ((), (), 0)
    assert result.notes == (f"there are no rows below the header (line {at + 1})",)


@pytest.mark.parametrize("name", SAMPLES)
def test_the_same_bytes_give_the_same_result(name: str) -> None:
    data = SAMPLES[name][1].encode()
    assert list(readings(read(name, data))) == list(readings(read(name, data)))
