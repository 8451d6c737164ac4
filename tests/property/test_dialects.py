"""Whatever dialect an export is written in, its readings are the same; and no bytes are too strange."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ingest.readers import read_file
from ingest.readings import ReadResult
from ingest.sources import TableSource

START = datetime(2026, 6, 1, 12, tzinfo=UTC)
HUNDREDTHS = st.one_of(st.none(), st.integers(-99_999, 9_999_999))
ROWS = st.lists(st.tuples(HUNDREDTHS, HUNDREDTHS), min_size=1, max_size=12)
FORMS = ("%d/%m/%Y %H:%M", "%m/%d/%y %I:%M %p", "%Y-%m-%d %H:%M:%S", "%d %b %Y %H:%M", "epoch_s", "epoch_ms", None)
Cells = Sequence[Sequence[str]]


@dataclass(frozen=True)
class Dialect:
    """How a table is written down."""

    delimiter: str
    comma: bool
    quoted: bool
    end: str
    encoding: str
    declared: bool
    missing: str
    preamble: tuple[str, ...]
    footer: bool
    repeated: bool
    blank: bool
    padded: bool
    trailing: bool

    def write(self, header: Sequence[str], rows: Cells) -> bytes:
        lines = [*self.preamble, self._line(header)]
        for i, row in enumerate(rows):
            lines += [self._line(header)] * (self.repeated and i == 1)
            lines += [""] * (self.blank and i == 2)
            lines.append(self._line(row))
        return self.end.join([*lines, *(["", "End of export"] if self.footer else []), ""]).encode(self.encoding)

    def _line(self, cells: Sequence[str]) -> str:
        cells = [f" {cell} " if self.padded and not self.quoted else cell for cell in cells]
        cells = [f'"{cell}"' if self.quoted else cell for cell in cells]
        return self.delimiter.join(cells) + (self.delimiter if self.trailing else "")

    def number(self, hundredths: int | None) -> str:
        if hundredths is None:
            return self.missing
        text = f"{hundredths / 100:.2f}"
        return text.replace(".", ",") if self.comma else text

    def text(self) -> dict[str, object]:
        """The dialect as a declaration, or nothing, so that it is found out."""
        if not self.declared:
            return {"missing": ["ERR"]}
        encoding = {"utf-8-sig": "utf-8"}.get(self.encoding, self.encoding)
        decimal = "," if self.comma else "."
        return {"encoding": encoding, "delimiter": self.delimiter, "decimal": decimal, "missing": ["ERR"]}


DIALECTS = st.builds(
    Dialect,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    comma=st.booleans(),
    quoted=st.booleans(),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    declared=st.booleans(),
    missing=st.sampled_from(["", "-", "n/a", "NaN", "--", "ERR"]),
    preamble=st.lists(st.sampled_from(["", "Made for the garage roof", "Serial;4711", "a,b|c"]), max_size=4).map(tuple),
    footer=st.booleans(),
    repeated=st.booleans(),
    blank=st.booleans(),
    padded=st.booleans(),
    trailing=st.booleans(),
).filter(lambda d: d.quoted or not (d.comma and d.delimiter == ","))


def stamp(when: datetime, form: str | None) -> str:
    """A time as a format writes it."""
    if form in ("epoch_s", "epoch_ms"):
        return str(int(when.timestamp())) + ("" if form == "epoch_s" else "000")
    return when.isoformat() if form is None else when.strftime(form)


def source(dialect: Dialect, time: dict[str, object], minutes: int = 5, **shape: object) -> TableSource:
    time = {"column": "Time", "zone": "UTC"} | time
    given = {"id": "log", "kind": "table", "files": "x", "interval_minutes": minutes, "time": time} | shape
    return TableSource.model_validate(given | {"text": dialect.text()})


def sound(result: ReadResult) -> None:
    assert result.rejects == ()
    assert result.conflicts == 0


WIDE = {
    "columns": [
        {"column": "Ü Volt", "quantity": "dc_voltage", "of": "string:s1", "unit": "V"},
        {"column": "Power W", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
    ]
}


@given(ROWS, DIALECTS, st.sampled_from(FORMS), st.booleans(), st.sampled_from(["start", "end", "instant"]), st.data())
def test_the_dialect_of_a_wide_table_does_not_matter(
    rows: list[tuple[int | None, int | None]], dialect: Dialect, form: str | None, split: bool, marks: str,
    data: st.DataObject,
) -> None:  # fmt: skip
    split = split and form is not None and not form.startswith("epoch")
    header = ["Time", *(["Clock"] if split else []), "Ü Volt", "Power W", "Mode"]
    columns = data.draw(st.permutations(range(len(header))))
    order = data.draw(st.permutations(range(len(rows))))
    shift = {"start": 0, "end": 300, "instant": 150}[marks]
    cells = []
    for i in order:
        when = stamp(START + timedelta(minutes=5 * i, seconds=shift - shift % 60), form)
        first, _, clock = when.rpartition(" ") if form != "%m/%d/%y %I:%M %p" else when.partition(" ")
        row = [*([first, clock] if split else [when]), *(dialect.number(v) for v in rows[i]), "on"]
        cells.append([row[place] for place in columns])
    time: dict[str, object] = {"format": form, "marks": marks} | ({"clock_column": "Clock"} if split else {})
    result = read_file(
        dialect.write([header[c] for c in columns], cells), name="x.csv", source=source(dialect, time, **WIDE)
    )
    sound(result)
    (table,) = result.tables
    start = int(START.timestamp()) - shift % 60
    np.testing.assert_array_equal(table.starts, start + 300 * np.arange(len(rows)))
    for place, quantity in enumerate(("dc_voltage", "ac_power")):
        (values,) = (v for c, v in table.columns.items() if c.quantity == quantity)
        np.testing.assert_array_equal(values, [np.nan if row[place] is None else row[place] / 100 for row in rows])
    assert result.dialect is not None
    assert (result.dialect.delimiter, len(result.dialect.columns)) == (dialect.delimiter, len(header))
    written_commas = any("," in cell for row in cells for cell in row)
    assert result.dialect.decimal == ("," if dialect.comma and (dialect.declared or written_commas) else ".")


@given(st.lists(HUNDREDTHS, min_size=1, max_size=12), DIALECTS, st.sampled_from(FORMS), st.data())
def test_the_dialect_of_a_long_table_does_not_matter(
    values: list[int | None], dialect: Dialect, form: str | None, data: st.DataObject
) -> None:
    """Three modules take turns; the rows stand in any order."""
    places = data.draw(st.permutations(range(len(values))))
    cells = [
        [f"s1-{i % 3 + 1}", dialect.number(values[i]), stamp(START + timedelta(minutes=5 * (i // 3)), form)]
        for i in places
    ]
    long = {"subject": "Modul", "value": "Ü", "quantity": "dc_power", "unit": "W"}
    shape = source(dialect, {"format": form}, long=long)
    result = read_file(dialect.write(["Modul", "Ü", "Time"], cells), name="x.csv", source=shape)
    sound(result)
    read = {
        (channel.subject, (int(t) - int(START.timestamp())) // 300): float(v)
        for table in result.tables
        for channel, column in table.columns.items()
        for t, v in zip(table.starts, column, strict=True)
        if not np.isnan(v)
    }
    assert read == {(f"module:s1/{i % 3 + 1:02d}", i // 3): v / 100 for i, v in enumerate(values) if v is not None}


@given(
    st.lists(st.lists(HUNDREDTHS, min_size=24, max_size=24), min_size=1, max_size=3), DIALECTS,
    st.sampled_from([None, "%d/%m/%Y", "%m/%d/%y", "%d %b %Y"]), st.sampled_from(["%H:%M", "%I:%M %p", "%H:%M kWh"]),
    st.sampled_from(["start", "end"]), st.data(),
)  # fmt: skip
def test_the_dialect_of_a_table_with_a_row_a_day_does_not_matter(
    days: list[list[int | None]], dialect: Dialect, form: str | None, clock: str, marks: str, data: st.DataObject
) -> None:
    midnight = datetime(2026, 6, 1, tzinfo=UTC)
    labels = [(midnight + timedelta(hours=h + (marks == "end"))).strftime(clock) for h in range(24)]
    order = data.draw(st.permutations(range(len(days))))
    cells = [
        ["7", stamp(midnight + timedelta(days=d), form or "%Y-%m-%d"), *(dialect.number(v) for v in days[d])]
        for d in order
    ]
    across = {"quantity": "import_energy", "of": "meter:grid", "unit": "kWh", "reads": "interval", "header": clock}
    shape = source(dialect, {"format": form, "marks": marks}, 60, across=across)
    result = read_file(dialect.write(["Ü", "Time", *labels], cells), name="x.csv", source=shape)
    sound(result)
    read = {
        (int(t) - int(midnight.timestamp())) // 3600: float(v)
        for table in result.tables
        for column in table.columns.values()
        for t, v in zip(table.starts, column, strict=True)
    }
    assert read == {24 * d + h: v / 100 for d, day in enumerate(days) for h, v in enumerate(day) if v is not None}


@given(st.binary(max_size=400), st.integers(0, 200), st.integers(0, 60))
def test_damage_is_told_and_never_raises(noise: bytes, at: int, cut: int) -> None:
    good = b"Time,\xc3\x9c Volt,Power W\n01/06/2026 12:00,310.25,1800\n01/06/2026 12:05,311.5,1812.5\n"
    shape = TableSource.model_validate(
        {"id": "log", "kind": "table", "files": "x", "interval_minutes": 5,
         "time": {"column": "Time", "zone": "UTC", "format": "%d/%m/%Y %H:%M"}} | WIDE
    )  # fmt: skip
    result = read_file(good[:at] + noise + good[at + cut :], name="x.csv", source=shape)
    for table in result.tables:
        assert np.all(np.diff(table.starts) > 0)
    for reject in result.rejects:
        assert reject.file == "x.csv"
        assert reject.reason
        assert reject.text.isprintable()
