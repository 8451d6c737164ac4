"""Whatever dialect an export is written in, its readings are the same; and no bytes are too strange."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ingest.readers import read_file
from ingest.sources import TableSource

START = datetime(2026, 6, 1, 12, tzinfo=UTC)
HUNDREDTHS = st.one_of(st.none(), st.integers(-99_999, 9_999_999))
ROWS = st.lists(st.tuples(HUNDREDTHS, HUNDREDTHS), min_size=1, max_size=12)


@dataclass(frozen=True)
class Dialect:
    """How a table is written down."""

    delimiter: str
    comma: bool
    quoted: bool
    end: str
    encoding: str
    form: str
    missing: str
    preamble: tuple[str, ...]
    footer: bool
    padded: bool
    trailing: bool

    def write(self, rows: list[tuple[int | None, int | None]]) -> bytes:
        lines = [*self.preamble, self._line(["Time", "Ü Volt", "Power W"])]
        for i, row in enumerate(rows):
            when = START + timedelta(minutes=5 * i)
            lines.append(self._line([when.strftime(self.form), *(self._number(v) for v in row)]))
        return self.end.join([*lines, *(["", "End of export"] if self.footer else []), ""]).encode(self.encoding)

    def _line(self, cells: list[str]) -> str:
        cells = [f" {cell} " if self.padded and not self.quoted else cell for cell in cells]
        cells = [f'"{cell}"' if self.quoted else cell for cell in cells]
        return self.delimiter.join(cells) + (self.delimiter if self.trailing else "")

    def _number(self, hundredths: int | None) -> str:
        if hundredths is None:
            return self.missing
        text = f"{hundredths / 100:.2f}"
        return text.replace(".", ",") if self.comma else text


DIALECTS = st.builds(
    Dialect,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    comma=st.booleans(),
    quoted=st.booleans(),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    form=st.sampled_from(["%d/%m/%Y %H:%M", "%m/%d/%y %I:%M %p", "%Y-%m-%d %H:%M:%S", "%d %b %Y %H:%M"]),
    missing=st.sampled_from(["", "-", "n/a", "NaN", "--"]),
    preamble=st.lists(st.sampled_from(["", "Made for the garage roof", "Serial;4711", "a,b|c"]), max_size=4).map(tuple),
    footer=st.booleans(),
    padded=st.booleans(),
    trailing=st.booleans(),
).filter(lambda d: d.quoted or not (d.comma and d.delimiter == ","))


def source(form: str) -> TableSource:
    return TableSource.model_validate(
        {
            "id": "log",
            "kind": "table",
            "files": "x",
            "interval_minutes": 5,
            "time": {"column": "Time", "zone": "UTC", "format": form},
            "columns": [
                {"column": "Ü Volt", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"},
                {"column": "Power W", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
            ],
        }
    )


@given(ROWS, DIALECTS)
def test_the_dialect_does_not_matter(rows: list[tuple[int | None, int | None]], dialect: Dialect) -> None:
    result = read_file(dialect.write(rows), name="x.csv", source=source(dialect.form))
    assert result.rejects == ()
    (table,) = result.tables
    np.testing.assert_array_equal(table.starts, int(START.timestamp()) + 300 * np.arange(len(rows)))
    for place, quantity in enumerate(("dc_voltage", "ac_power")):
        (values,) = (v for c, v in table.columns.items() if c.quantity == quantity)
        np.testing.assert_array_equal(values, [np.nan if row[place] is None else row[place] / 100 for row in rows])


@given(st.binary(max_size=400), st.integers(0, 200), st.integers(0, 60))
def test_damage_is_told_and_never_raises(noise: bytes, at: int, cut: int) -> None:
    good = b"Time,\xc3\x9c Volt,Power W\n01/06/2026 12:00,310.25,1800\n01/06/2026 12:05,311.5,1812.5\n"
    result = read_file(good[:at] + noise + good[at + cut :], name="x.csv", source=source("%d/%m/%Y %H:%M"))
    for table in result.tables:
        assert np.all(np.diff(table.starts) > 0)
    for reject in result.rejects:
        assert reject.file == "x.csv"
        assert reject.reason
        assert reject.text.isprintable()
