"""Sources and the reading of texts for the tests of the readers."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from ingest.readers import read_file
from ingest.readings import ReadResult
from ingest.sources import RegisterSource, TableSource

ReadTable = Callable[..., ReadResult]

COLUMNS = [
    {"column": "V", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"},
    {"column": "P", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
]


@pytest.fixture
def read_table() -> ReadTable:
    """Read a text as a table with the columns t, V and P, unless other settings are given."""

    def read(text: str | bytes, /, *, time: dict[str, str] | None = None, **settings: object) -> ReadResult:
        given: dict[str, object] = {"id": "log", "kind": "table", "files": "x", "interval_minutes": 5}
        given["time"] = {"column": "t", "zone": "UTC"} | (time or {})
        if not settings.keys() & {"long", "across"}:
            given["columns"] = COLUMNS
        data = text.encode() if isinstance(text, str) else text
        return read_file(data, name="x.csv", source=TableSource.model_validate(given | settings))

    return read


@pytest.fixture
def read_dump() -> ReadTable:
    """Read rows of unit, address, word as a dump polled at 12:00, by the given map."""

    def read(text: str, *points: dict[str, object], marks: str = "start", tolerance_s: int = 5) -> ReadResult:
        source = RegisterSource.model_validate(
            {
                "id": "dump",
                "kind": "registers",
                "files": "x",
                "interval_minutes": 30,
                "time": {"column": "at", "zone": "UTC", "marks": marks},
                "registers": {"unit_id": "unit", "address": "address", "word": "word", "tolerance_s": tolerance_s},
                "map": [{"unit_id": 3, "quantity": "ac_power", "of": "meter:gen1", "unit": "W"} | p for p in points],
            }
        )
        return read_file(text.encode(), name="x.csv", source=source)

    return read
