"""Dumps of SunSpec devices: which unit, which chain, polls that lack a part, and what is said of them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from ingest.readers import read_file
from ingest.readings import ReadResult
from ingest.sources import RegisterSource
from tests.sunspec_images import block, dump, image

NOON = 1_780_315_200  # 2026-06-01T12:00:00Z
HEAD = "at,unit,address,word\n"
HALF_PAST, ONE = "2026-06-01T12:30:00Z", "2026-06-01T13:00:00Z"
BOTH = {"inverter": "inverter:inv1", "inputs": ["string:s1"]}
ENERGIES = {"W": 1500, "W_SF": 0, "WH": 10_000, "WH_SF": -1, "St": 4}


def device(watts: int = 1500, model: int = 103, **more: float) -> dict[int, int]:
    return image(block(1, {}), block(model, {**ENERGIES, "W": watts, **more}))


def read(text: str, subjects: Mapping[str, object] = BOTH, **settings: object) -> ReadResult:
    source = {
        "id": "dump", "kind": "registers", "files": "x", "interval_minutes": 30, "model": "sunspec",
        "time": {"column": "at", "zone": "UTC", "marks": "start"}, "subjects": subjects,
        "registers": {"unit_id": "unit", "address": "address", "word": "word"},
    }  # fmt: skip
    return read_file((HEAD + text).encode(), name="x.csv", source=RegisterSource.model_validate(source | settings))


def values(result: ReadResult, quantity: str) -> list[tuple[int, float]]:
    """Minutes after noon and value of every reading of a quantity; a gap is a minus one."""
    return [
        ((start - NOON) // 60, -1.0 if np.isnan(value) else value)
        for table in result.tables
        for channel, column in table.columns.items()
        if channel.quantity == quantity
        for start, value in zip(table.starts.tolist(), column.tolist(), strict=True)
    ]


def test_a_year_of_polls_in_miniature() -> None:
    result = read(dump(device(1500)) + dump(device(1400), HALF_PAST) + dump(device(1300), ONE))
    assert result.rejects == ()
    assert values(result, "ac_power") == [(0, 1500.0), (30, 1400.0), (60, 1300.0)]
    assert values(result, "ac_energy") == [(0, 1000.0), (30, 1000.0), (60, 1000.0)]
    assert result.notes == ("unit 126 holds the models 1, 103 from register 40000",)
    assert result.rows == 3 * 124


def test_rows_in_any_order_give_the_same() -> None:
    rows = (dump(device(1500)) + dump(device(1400), HALF_PAST)).splitlines(keepends=True)
    shuffled = np.random.default_rng(3).permutation(np.array(rows, object)).tolist()
    assert values(read("".join(shuffled)), "ac_power") == values(read("".join(rows)), "ac_power")


def test_of_several_units_the_one_with_a_chain_is_read() -> None:
    other = dump({40_000: 17, 40_001: 4, 40_072: 9}, unit=3)
    assert values(read(other + dump(device())), "ac_power") == [(0, 1500.0)]


def test_of_several_chains_the_unit_must_be_told() -> None:
    text = dump(device(1500), unit=1) + dump(device(700), unit=2)
    (reject,) = read(text).rejects
    assert reject.reason == "units 1, 2 hold a model chain each; expected unit_id to say which one is meant"
    assert values(read(text, unit_id=2), "ac_power") == [(0, 700.0)]
    (reject,) = read(text, unit_id=9).rejects
    assert reject.reason == "unit 9 is nowhere in the file, which holds units 1, 2"


def test_a_dump_without_a_marker_says_where_one_was_looked_for() -> None:
    words = image(block(103, ENERGIES), base=40_001)
    result = read(dump(words))
    assert result.tables == ()
    (reject,) = result.rejects
    assert reject.reason == (
        "unit 126: no marker (0x5375 0x6E53) at register 40000, 0 or 50000; expected the start of a model chain there"
    )
    assert values(read(dump(words), base_address=40_001), "ac_power") == [(0, 1500.0)]


def test_half_a_value_is_a_gap_and_told_with_its_line() -> None:
    whole, half = dump(device(1500)), dump({a: w for a, w in device(1400).items() if a != 40_095}, HALF_PAST)
    result = read(whole + half)
    assert values(result, "ac_power") == [(0, 1500.0), (30, 1400.0)]
    assert values(result, "ac_energy") == [(0, 1000.0), (30, -1.0)]
    (reject,) = result.rejects
    assert (reject.text, reject.line) == ("40095", 2 + 124 + 70)  # the first row of the block in that poll
    assert reject.reason == (
        "the block of model 103 (three-phase inverter) at register 40070 is only partly in this poll; register 40095 "
        "is missing, so nothing that needs it is taken"
    )


def test_registers_that_no_poll_holds_are_told_once() -> None:
    words = {a: w for a, w in device().items() if a not in (40_108, 40_084)}
    result = read(dump(words) + dump(words, HALF_PAST))
    assert [r.reason for r in result.rejects] == [
        "register 40084, 40108 is nowhere in the file; ac_power, status of the block of model 103 (three-phase "
        "inverter) at register 40070 need it"
    ]
    assert values(result, "ac_energy") == [(0, 1000.0), (30, 1000.0)]
    assert values(result, "ac_power") == []


def test_a_scale_factor_is_that_of_its_own_poll() -> None:
    result = read(dump(device(1500)) + dump(device(150, W_SF=1), HALF_PAST))
    assert values(result, "ac_power") == [(0, 1500.0), (30, 1500.0)]


def test_a_poll_without_headers_keeps_to_the_chain_of_the_others() -> None:
    bare = {a: w for a, w in device(1400).items() if a > 40_071}
    result = read(dump(bare, HALF_PAST) + dump(device(1500)))
    assert [r.line for r in result.rejects] == [2 + 8]
    assert "register 40070-40071 is missing" in result.rejects[0].reason
    assert values(result, "ac_power") == [(0, 1500.0), (30, 1400.0)]


def test_a_poll_whose_headers_contradict_the_chain_is_not_taken() -> None:
    bent = device(1400) | {40_070: 104}
    result = read(dump(device(1500)) + dump({a: w for a, w in bent.items() if a > 40_001}, HALF_PAST))
    assert values(result, "ac_power") == [(0, 1500.0)]
    (reject,) = result.rejects
    assert reject.line == 2 + 124
    assert reject.reason == "the headers of models in this poll of unit 126 are unlike the others'; not taken"


def test_a_device_that_was_exchanged_has_another_chain_from_then_on() -> None:
    text = dump(device(1500)) + dump(device(1400), HALF_PAST) + dump(device(1300, model=113), ONE)
    result = read(text)
    assert values(result, "ac_power") == [(0, 1500.0), (30, 1400.0), (60, 1300.0)]
    assert result.rejects == ()
    assert [note.split(" holds ")[1] for note in result.notes] == [
        "the models 1, 103 from register 40000",
        "the models 1, 113 from register 40000",
    ]


def test_headers_that_are_put_together_from_two_devices_cost_one_poll() -> None:
    first = {a: w for a, w in device(1400).items() if a < 40_070}  # cut off before the inverter's header
    other = image(block(1, {}, length=65)[:-1], block(103, ENERGIES))
    result = read(dump(first) + dump(other, HALF_PAST))
    assert values(result, "ac_power") == [(30, 1500.0)]


def test_the_length_tells_the_number_of_inputs() -> None:
    words = image(block(160, {"DCA_SF": 0, "DCV_SF": 0, "DCW_SF": 0, "N": 3}, [{"DCV": 300}, {"DCV": 400}]))
    result = read(dump(words), {"inputs": ["string:s1", "string:s2"]})
    assert values(result, "dc_voltage") == [(0, 300.0), (0, 400.0)]
    assert result.notes == (
        "unit 126 holds the models 160 from register 40000",
        "the block of model 160 (multiple MPPT) at register 40002 says that it has 3 inputs; its length says 2, which "
        "is taken",
    )


def test_a_meter_that_nobody_asked_for_is_a_note() -> None:
    result = read(dump(image(block(103, ENERGIES), block(203, {}))))
    assert result.rejects == ()
    assert result.notes[1:] == (
        "the block of model 203 (wye-connected meter) at register 40054 is not read: subjects names no meter",
    )


def test_a_meter_whose_power_has_no_direction_is_a_note() -> None:
    result = read(dump(image(block(203, {"TotWhImp": 7, "TotWh_SF": 0}))), {"meter": "meter:grid"})
    assert values(result, "import_energy") == [(0, 7.0)]
    assert result.notes[1:] == (
        "the meter's power is not taken: subjects.positive_power does not say which flow it counts positive",
    )


def test_a_chain_that_breaks_off_is_a_note() -> None:
    words = {a: w for a, w in device().items() if a < 40_122}
    assert read(dump(words)).notes == (
        "unit 126 holds the models 1, 103 from register 40000; the chain breaks off without its end block",
    )


def test_without_subjects_nothing_is_read() -> None:
    source = RegisterSource.model_validate(
        {
            "id": "dump", "kind": "registers", "files": "x", "interval_minutes": 30, "model": "sunspec",
            "time": {"column": "at", "zone": "UTC"},
            "registers": {"unit_id": "unit", "address": "address", "word": "word"},
        }
    )  # fmt: skip
    (reject,) = read_file((HEAD + dump(device())).encode(), name="x.csv", source=source).rejects
    assert reject.reason.startswith("nobody says whom the models speak of")


@pytest.mark.parametrize("marks", ["start", "instant"])
def test_rows_of_a_poll_some_seconds_apart_are_one_reading(marks: str) -> None:
    rows = dump(device()).splitlines(keepends=True)
    text = "".join(row.replace("12:00:00", f"12:00:{i // 40:02d}") for i, row in enumerate(rows))
    result = read(text, time={"column": "at", "zone": "UTC", "marks": marks})
    assert result.rejects == ()
    assert values(result, "ac_power") == [(0 if marks == "start" else -15, 1500.0)]
