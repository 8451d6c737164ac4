"""The committed sample exports are read as their README says; truth worked out from the files by hand."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from ingest.counters import interval_energy
from ingest.readers import read_file
from ingest.readings import ReadResult, Table, Values
from ingest.sources import FileSource, Source

FOLDER = Path(__file__).parents[3] / "sample_data"
SOURCES: dict[str, FileSource] = {
    source.id: source
    for given in tomllib.loads((FOLDER / "sources.toml").read_text("utf-8"))["source"]
    if (source := TypeAdapter(Source).validate_python(given))
}


def read(name: str) -> ReadResult:
    source = SOURCES[name]
    return read_file((FOLDER / source.files).read_bytes(), name=source.files, source=source)


def only_table(result: ReadResult) -> Table:
    (table,) = result.tables
    return table


def column(table: Table, quantity: str, subject: str | None = None) -> Values:
    (found,) = (
        v for c, v in table.columns.items() if c.quantity == quantity and (subject is None or c.subject == subject)
    )
    return found


def utc(*when: int) -> int:
    return int(datetime(*when, tzinfo=UTC).timestamp())


def test_every_sample_has_a_source_and_the_folder_is_small() -> None:
    files = {path.name for path in FOLDER.glob("*.csv")}
    assert files == {source.files for source in SOURCES.values()}
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 200_000


@pytest.mark.parametrize("name", sorted(SOURCES.keys() - {"truncated"}))
def test_nothing_is_set_aside(name: str) -> None:
    result = read(name)
    assert result.rejects == ()
    assert sum(np.count_nonzero(~np.isnan(v)) for table in result.tables for v in table.columns.values()) > 40


@pytest.mark.parametrize(
    ("name", "first", "hours"),
    [("clock-back-autumn", utc(2026, 10, 24, 23), 25), ("clock-forward-spring", utc(2026, 3, 29), 23)],
)
def test_a_clock_change_leaves_neither_hole_nor_overlap(name: str, first: int, hours: int) -> None:
    table = only_table(read(name))
    np.testing.assert_array_equal(table.starts, first + 1800 * np.arange(2 * hours))


def test_the_register_goes_on_counting_over_its_end() -> None:
    table = only_table(read("counter-rollover"))
    register = column(table, "ac_energy")
    energy, span_s = interval_energy(table.starts, register, interval_s=900)
    assert table.starts[0] == utc(2026, 6, 3, 5, 45)  # read at 06:00, when the interval ended
    assert np.nansum(energy) == pytest.approx(register[-1] + 100_000 - 99_998.6, abs=1e-6)
    assert np.nanmax(energy) < 0.81  # kWh in a quarter of an hour at 3 kW, rounded up to the register's tenth
    assert set(span_s[1:]) == {900.0}


def test_the_cut_number_is_not_taken() -> None:
    result = read("truncated")
    (reject,) = result.rejects
    assert (reject.line, reject.text) == (56, "2026-05-09 13:30:00;2.")
    assert "partial" in reject.reason
    assert only_table(result).starts[-1] == utc(2026, 5, 9, 13, 15)
    assert column(only_table(result), "ac_power")[-1] == 2.864


def test_decimal_commas_gaps_and_what_is_no_reading() -> None:
    result = read("decimal-comma")
    table = only_table(result)
    row = int(np.flatnonzero(table.starts == utc(2026, 4, 14, 12, 15))[0])
    assert (column(table, "dc_voltage")[row], column(table, "dc_voltage")[row - 1]) == (299.1, 298.7)
    assert column(table, "ac_power")[row - 1] == 2.304
    for quantity in ("dc_current", "ac_power", "ac_energy"):
        assert np.flatnonzero(np.isnan(column(table, quantity))).tolist() == [row]
    assert table.starts.size == 96
    assert result.notes == ("1 repeated header lines left out", "2 lines that are no readings left out")


def test_twelve_hour_clock_and_end_marks() -> None:
    table = only_table(read("preamble-am-pm"))
    np.testing.assert_array_equal(table.starts, utc(2026, 7, 2) + 300 * np.arange(288))
    noon = int(np.flatnonzero(table.starts == utc(2026, 7, 2, 11, 55))[0])
    assert column(table, "ac_power")[noon] == 3200.0


def test_every_module_has_its_own_column() -> None:
    table = only_table(read("modules-long"))
    assert sorted(c.subject for c in table.columns) == [
        *(f"module:s1/{n:02d}" for n in range(1, 7)),
        *(f"module:s2/{n:02d}" for n in range(1, 5)),
    ]
    assert all(values.size == 40 and not np.isnan(values).any() for values in table.columns.values())


def test_registers_are_put_together() -> None:
    counter, power = sorted(read("register-dump").tables, key=lambda table: int(table.starts[0]))
    register = column(counter, "ac_energy")
    assert counter.starts[0] == utc(2026, 8, 11)  # polled at 00:30
    assert register[0] == (99 * 65_536 + 0xFFC0) / 100
    assert np.all(np.diff(register) >= 0)  # through the carry from the low word to the high one
    assert power.starts[0] == utc(2026, 8, 11, 0, 15)  # a sample in the middle of its half hour
    assert column(power, "ac_power").max() == 2800.0


def test_a_row_a_day_over_the_end_of_summer_time() -> None:
    result = read("half-hours-across")
    table = only_table(result)
    energy = dict(zip(table.starts.tolist(), column(table, "import_energy").tolist(), strict=True))
    assert (result.rows, len(energy)) == (7, 7 * 48 - 1)  # one cell is ERR
    assert energy[utc(2026, 10, 23, 13)] == 2615.0  # 15:00 in summer time: "2.615,0"
    assert utc(2026, 10, 25, 1) not in energy  # the hour from 02:00 has one column, for its first pass
    assert result.notes[0].startswith("2 rows in the repeated hour of autumn, and nothing tells which pass")
    assert result.dialect is not None
    assert (result.dialect.encoding, result.dialect.decimal, result.dialect.header_line) == ("cp1252", ",", 2)


def test_date_and_clock_time_apart_with_winter_time_all_year() -> None:
    table = only_table(read("date-and-time"))
    np.testing.assert_array_equal(table.starts, utc(2026, 4, 2, 23) + 900 * np.arange(96))
    noon = int(np.flatnonzero(table.starts == utc(2026, 4, 3, 10, 30))[0])
    assert column(table, "ac_power")[noon] == 3087.0  # "11:45 AM","3,087"


def test_counted_times_in_utf_16_without_a_mark() -> None:
    result = read("epoch-utf16")
    table = only_table(result)
    np.testing.assert_array_equal(table.starts, utc(2026, 5, 17, 4) + 900 * np.arange(64))
    assert np.flatnonzero(np.isnan(column(table, "ac_power", "inverter:inv2"))).tolist() == [20, 21, 22]
    assert not np.isnan(column(table, "ac_power", "inverter:inv1")).any()
    assert result.dialect is not None
    assert (result.dialect.encoding, result.dialect.delimiter) == ("utf-16-le", "\t")


def test_the_register_tells_the_passes_of_rows_that_are_sorted_by_label() -> None:
    result = read("sorted-by-label")
    table = only_table(result)
    np.testing.assert_array_equal(table.starts, utc(2026, 10, 24, 11, 30) + 1800 * np.arange(48))
    register, power = column(table, "import_energy"), column(table, "import_power")
    assert np.all(np.diff(register) > 0)
    np.testing.assert_allclose(np.diff(register), power[1:] / 2000, atol=0.011)  # each power beside its own step
    assert (result.notes, result.conflicts) == ((), 0)
