"""What a [[source]] of registers may say, and what is said about the rest."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from ingest.sources import BusSource, RegisterSource, Subjects, subjects_of

COLUMNS = {"unit_id": "u", "address": "a", "word": "w"}
POINT = {"unit_id": 3, "address": 10, "type": "uint16", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"}
DUMP: dict[str, object] = {
    "id": "dump",
    "kind": "registers",
    "files": "incoming/*.csv",
    "interval_minutes": 30,
    "time": {"column": "t", "zone": "UTC"},
    "registers": COLUMNS,
}
BUS: dict[str, object] = {"id": "bus", "kind": "modbus_tcp", "interval_minutes": 5, "host": "localhost"}
SUNSPEC: dict[str, object] = {"model": "sunspec"}


def test_a_dump_is_read_by_a_map_or_by_its_models() -> None:
    assert RegisterSource.model_validate(DUMP | {"map": [POINT]}).registers.tolerance_s == 5
    assert RegisterSource.model_validate(DUMP | SUNSPEC | {"unit_id": 3, "base_address": 40_001}).base_address == 40_001
    assert BusSource.model_validate(BUS | SUNSPEC | {"base_address": 0}).base_address == 0


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({}, "expected either map or model, and not both"),
        ({"map": [POINT], "model": "sunspec"}, "expected either map or model, and not both"),
        (
            {"map": [POINT], "base_address": 0},
            "base_address and subjects go with model = 'sunspec', and not with a map",
        ),
        ({"map": [POINT], "subjects": {"meter": "meter:a"}}, "base_address and subjects go with model = 'sunspec'"),
        ({"map": [POINT], "unit_id": 3}, "unit_id goes with model = 'sunspec'; every point of a map has its own"),
        ({"model": "sunspec", "base_address": 65_534}, "less than or equal to 65533"),
        (
            {"map": [POINT], "registers": COLUMNS | {"tolerance_s": 900}},
            "registers.tolerance_s = 900: expected less than half the interval, which is 900 s",
        ),
    ],
)
def test_dumps(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        RegisterSource.model_validate(DUMP | changes)


@pytest.mark.parametrize("changes", [{}, {"map": [POINT], "model": "sunspec"}])
def test_a_device_on_the_bus_is_read_by_a_map_or_by_its_models(changes: dict[str, object]) -> None:
    with pytest.raises(ValidationError, match="expected either map or model, and not both"):
        BusSource.model_validate(BUS | changes)


@pytest.mark.parametrize(
    ("subjects", "message"),
    [
        ({}, "expected inverter, inputs or meter"),
        ({"inputs": ["-"]}, "expected inverter, inputs or meter"),
        ({"inverter": "meter:a"}, "should match pattern"),
        ({"meter": "inverter:a"}, "should match pattern"),
        ({"inputs": ["string:a", "inverter:b"]}, "inputs holds 'inverter:b': expected string:ID, or '-' for none"),
        ({"inputs": ["string:a", "-", "string:a"]}, "inputs names a string twice"),
        (
            {"inverter": "inverter:a", "generation": "export"},
            "tell of a meter; expected meter = 'meter:ID' beside them",
        ),
        ({"meter": "meter:a", "positive_power": "out"}, "Input should be 'export' or 'import'"),
    ],
)
def test_subjects(subjects: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        Subjects.model_validate(subjects)


def test_a_source_with_models_names_its_subjects() -> None:
    subjects = {"inverter": "inverter:a", "inputs": ["string:a", "-", "string:b"], "meter": "meter:c"}
    source = BusSource.model_validate(BUS | SUNSPEC | {"subjects": subjects})
    assert subjects_of(source) == ("inverter:a", "string:a", "string:b", "meter:c")
    assert subjects_of(BusSource.model_validate(BUS | SUNSPEC)) == ()
