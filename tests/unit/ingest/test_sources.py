"""What a [[source]] may say, and what is said about the rest."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from ingest.sources import ColumnSpec, LongSpec, TableSource, TimeSpec

GOOD: dict[str, object] = {
    "id": "log",
    "kind": "table",
    "files": "incoming/*.csv",
    "interval_minutes": 5,
    "time": {"column": "t", "zone": "UTC"},
    "columns": [{"column": "p", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}],
}


@pytest.mark.parametrize("files", ["incoming/*.csv", "incoming/**/a_*.csv", "a.csv", "in coming/[ab]*.txt"])
def test_patterns_in_the_folder(files: str) -> None:
    assert TableSource.model_validate(GOOD | {"files": files}).files == files


@pytest.mark.parametrize("files", ["/etc/*.csv", "../other/*.csv", "incoming/../../x", "."])
def test_patterns_that_leave_the_folder(files: str) -> None:
    with pytest.raises(ValidationError, match="expected a path inside the fleet folder, such as incoming"):
        TableSource.model_validate(GOOD | {"files": files})


def test_a_pattern_that_cannot_be_searched_for() -> None:
    with pytest.raises(ValidationError, match=r"expected \*\* to stand alone between slashes"):
        TableSource.model_validate(GOOD | {"files": "incoming/**.csv"})


@pytest.mark.parametrize("form", ["%d/%m/%Y %H:%M", "%d/%m/%y %I:%M:%S %p", "%Y%m%d%H%M", "%d %b %Y %H:%M %z"])
def test_formats_that_tell_the_minute(form: str) -> None:
    assert TimeSpec(column="t", zone="UTC", format=form).format == form


@pytest.mark.parametrize("form", ["%d/%m/%Y", "%d/%m/%Y %I:%M", "%H:%M", "DD/MM/YYYY", "%d/%m/%Y %H:%Q", "%s"])
def test_formats_that_do_not(form: str) -> None:
    with pytest.raises(ValidationError, match="expected a strptime format with year, month, day, hour and minute"):
        TimeSpec(column="t", zone="UTC", format=form)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"quantity": "power"}, "expected one of dc_voltage, dc_current"),
        ({"unit": "V"}, "unit 'V' does not fit ac_power: expected W or kW"),
        ({"reads": "counter"}, "reads = 'counter' is for energies; ac_power can only be a mean"),
        ({"quantity": "ac_energy", "unit": "kWh"}, "ac_energy needs reads = 'interval' or 'counter'"),
        ({"of": "roof"}, "expected one of site, inverter:ID, string:ID"),
    ],
)
def test_columns(changes: dict[str, object], message: str) -> None:
    good: dict[str, object] = {"column": "p", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}
    with pytest.raises(ValidationError, match=message):
        ColumnSpec.model_validate(good | changes)


def test_shapes() -> None:
    with pytest.raises(ValidationError, match="expected either columns or long or across, and only one of them"):
        TableSource.model_validate(GOOD | {"columns": []})
    with pytest.raises(ValidationError, match=r"expected \{string\} and \{module\} once each"):
        LongSpec.model_validate(
            {"subject": "m", "value": "w", "quantity": "dc_power", "unit": "W", "pattern": "{string}"}
        )
