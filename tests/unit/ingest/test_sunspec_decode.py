"""What the points of a SunSpec device give: images by an independent implementation, expected values by hand."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from ingest.registers.points import chain_change, decode_sunspec
from ingest.sources import Subjects
from ingest.sunspec.chain import Chain, read_plan, walk
from tests.sunspec_images import block, fetch_from, image

INVERTER = {
    "W": 3214, "W_SF": -1, "WH": 123_456_789, "WH_SF": -2, "PhVphA": 2301, "PhVphB": 2311, "PhVphC": 2321, "V_SF": -1,
    "Hz": 5001, "Hz_SF": -2, "DCA": 85, "DCA_SF": -1, "DCV": 3805, "DCV_SF": -1, "DCW": 33, "DCW_SF": 2, "St": 4,
}  # fmt: skip
FLOATS = {"W": 321.5, "WH": 1_234_567.0, "PhVphA": 230.25, "Hz": 50.0, "DCA": 8.5, "DCV": 380.5, "DCW": 3300.0, "St": 5}
METER = {
    "W": -1500, "W_SF": 0, "TotWhExp": 1_000_001, "TotWhImp": 2_000_002, "TotWh_SF": -1, "PhV": 2305, "V_SF": -1,
    "Hz": 4998, "Hz_SF": -2,
}  # fmt: skip
ONE = Subjects(inverter="inverter:inv1", inputs=("string:s1",))
TWO = Subjects(inputs=("string:s1", "string:s2"))


def read(words: Mapping[int, int], subjects: Subjects, *, chain: Chain | None = None) -> dict[str, float]:
    """Readings by subject and quantity; nothing may be told."""
    readings, troubles = decode_sunspec(chain or walk(fetch_from(words)), words, subjects)
    assert troubles == []
    return {f"{one.channel.subject} {one.channel.quantity}": one.value for one in readings}


def troubles_of(words: Mapping[int, int], subjects: Subjects) -> list[str]:
    return decode_sunspec(walk(fetch_from(words)), words, subjects)[1]


def test_a_three_phase_inverter_with_one_string() -> None:
    assert read(image(block(1, {}), block(103, INVERTER)), ONE) == {
        "inverter:inv1 ac_power": 321.4,
        "inverter:inv1 ac_energy": 1_234_567.89,
        "inverter:inv1 ac_voltage": pytest.approx(231.1),
        "inverter:inv1 ac_frequency": 50.01,
        "inverter:inv1 status": 4.0,
        "string:s1 dc_voltage": 380.5,
        "string:s1 dc_current": 8.5,
        "string:s1 dc_power": 3300.0,
    }


@pytest.mark.parametrize(("model", "volts"), [(101, 230.1), (102, 230.6), (103, 231.1)])
def test_the_voltage_is_the_mean_of_the_phases_that_the_model_has(model: int, volts: float) -> None:
    assert read(image(block(model, INVERTER)), ONE)["inverter:inv1 ac_voltage"] == pytest.approx(volts)


def test_a_phase_that_is_not_implemented_is_left_out_of_the_mean() -> None:
    words = image(block(103, {k: v for k, v in INVERTER.items() if k != "PhVphB"}))
    assert read(words, ONE)["inverter:inv1 ac_voltage"] == pytest.approx((230.1 + 232.1) / 2)


@pytest.mark.parametrize("model", [111, 112, 113])
def test_an_inverter_in_floats(model: int) -> None:
    found = read(image(block(model, FLOATS)), ONE)
    assert found["inverter:inv1 ac_power"] == 321.5
    assert found["inverter:inv1 ac_energy"] == 1_234_567.0
    assert found["inverter:inv1 ac_voltage"] == 230.25
    assert (found["string:s1 dc_voltage"], found["string:s1 dc_current"], found["inverter:inv1 status"]) == (
        380.5,
        8.5,
        5,
    )


def test_units_and_reads_are_those_of_the_standard() -> None:
    words = image(block(103, INVERTER))
    readings, _ = decode_sunspec(walk(fetch_from(words)), words, ONE)
    channels = {one.channel.quantity: (one.channel.unit, one.channel.reads) for one in readings}
    assert channels["ac_energy"] == ("Wh", "counter")
    assert channels["ac_power"] == ("W", "mean")
    assert channels["status"] == ("1", "mean")


def test_an_inverter_with_two_strings_and_no_block_of_inputs_tells_nothing_of_them() -> None:
    two = Subjects(inverter="inverter:inv1", inputs=("string:s1", "string:s2"))
    assert not any("dc_" in name for name in read(image(block(103, INVERTER)), two))


def test_the_inputs_of_model_160_are_the_strings_in_order() -> None:
    inputs = [{"DCA": 850, "DCV": 3805, "DCW": 3234}, {"DCA": 10, "DCV": 4010, "DCW": 40}]
    words = image(block(160, {"DCA_SF": -2, "DCV_SF": -1, "DCW_SF": 0, "N": 2}, inputs))
    assert read(words, TWO) == {
        "string:s1 dc_voltage": 380.5,
        "string:s1 dc_current": 8.5,
        "string:s1 dc_power": 3234.0,
        "string:s2 dc_voltage": 401.0,
        "string:s2 dc_current": 0.1,
        "string:s2 dc_power": 40.0,
    }


def test_a_block_of_inputs_is_preferred_to_the_inverters_own_direct_current() -> None:
    inputs = [{"DCA": 850, "DCV": 3805, "DCW": 3234}]
    words = image(block(103, INVERTER), block(160, {"DCA_SF": -2, "DCV_SF": -1, "DCW_SF": 0}, inputs))
    assert read(words, ONE)["string:s1 dc_power"] == 3234.0


def test_an_input_without_a_string_is_passed_over() -> None:
    words = image(block(160, {"DCA_SF": 0, "DCV_SF": 0, "DCW_SF": 0}, [{"DCV": 1}, {"DCV": 2}]))
    found = read(words, Subjects(inputs=("-", "string:s2")))
    assert found["string:s2 dc_voltage"] == 2.0
    assert np.isnan(found["string:s2 dc_power"])


def test_a_number_of_inputs_that_does_not_fit_is_told() -> None:
    words = image(block(160, {"DCA_SF": 0, "DCV_SF": 0, "DCW_SF": 0}, [{}, {}, {}]))
    assert troubles_of(words, TWO) == [
        "the block of model 160 (multiple MPPT) at register 40002 has 3 inputs, and subjects.inputs are 2 "
        "(string:s1, string:s2); expected one for each, '-' for an input that is not one string"
    ]


def test_der_models() -> None:
    ports = [{"PrtTyp": 0, "DCA": 85, "DCV": 3805, "DCW": 323}, {"PrtTyp": 1, "DCA": -20, "DCV": 500, "DCW": -100}]
    words = image(
        block(701, {"W": 2500, "W_SF": 0, "TotWhInj": 9_876_543_210, "TotWh_SF": -1, "LNV": 2299, "V_SF": -1,
                    "Hz": 49_995, "Hz_SF": -3, "InvSt": 3}),
        block(714, {"DCA_SF": -1, "DCV_SF": -1, "DCW_SF": 1}, ports),
    )  # fmt: skip
    found = read(words, Subjects(inverter="inverter:inv1", inputs=("string:s1", "string:s2")))
    assert found["inverter:inv1 ac_power"] == 2500.0
    assert found["inverter:inv1 ac_energy"] == 987_654_321.0
    assert found["inverter:inv1 ac_voltage"] == 229.9
    assert found["inverter:inv1 ac_frequency"] == 49.995
    assert found["inverter:inv1 status"] == 4.0  # running is 3 here and 4 in models 101 to 113
    assert found["string:s1 dc_power"] == 3230.0
    assert np.isnan(found["string:s2 dc_power"])  # a battery's port, whatever the site file says


def test_the_same_inverter_in_several_models_is_read_from_the_first() -> None:
    words = image(block(701, {"W": 7, "W_SF": 0}), block(113, FLOATS), block(103, INVERTER))
    assert read(words, ONE)["inverter:inv1 ac_power"] == 321.4


@pytest.mark.parametrize("model", [201, 202, 203, 204])
@pytest.mark.parametrize(("positive", "inward", "outward"), [("import", 0.0, 1500.0), ("export", 1500.0, 0.0)])
def test_a_grid_meter(model: int, positive: str, inward: float, outward: float) -> None:
    grid = Subjects.model_validate({"meter": "meter:grid", "positive_power": positive})
    assert read(image(block(model, METER)), grid) == {
        "meter:grid ac_voltage": 230.5,
        "meter:grid ac_frequency": 49.98,
        "meter:grid import_energy": 200_000.2,
        "meter:grid export_energy": 100_000.1,
        "meter:grid import_power": inward,
        "meter:grid export_power": outward,
    }


def test_power_whose_direction_nobody_tells_is_not_taken() -> None:
    found = read(image(block(203, METER)), Subjects(meter="meter:grid"))
    assert "meter:grid import_energy" in found
    assert not any("power" in name for name in found)


@pytest.mark.parametrize(
    ("generation", "positive", "energy", "power"),
    [
        ("export", "export", 100_000.1, -1500.0),
        ("export", "import", 100_000.1, 1500.0),
        ("import", "import", 200_000.2, -1500.0),
        ("import", "export", 200_000.2, 1500.0),
    ],
)
def test_a_generation_meter(generation: str, positive: str, energy: float, power: float) -> None:
    subjects = {"meter": "meter:gen1", "generation": generation, "positive_power": positive}
    found = read(image(block(201, METER)), Subjects.model_validate(subjects))
    assert (found["meter:gen1 ac_energy"], found["meter:gen1 ac_power"]) == (energy, power)
    assert not any("import" in name or "export" in name for name in found)


@pytest.mark.parametrize("model", [211, 212, 213, 214])
def test_a_meter_in_floats(model: int) -> None:
    words = image(block(model, {"W": 250.5, "TotWhExp": 1000.5, "TotWhImp": 2000.0, "PhV": 230.0, "Hz": 50.0}))
    found = read(words, Subjects(meter="meter:grid", positive_power="import"))
    assert (found["meter:grid import_power"], found["meter:grid export_power"]) == (250.5, 0.0)
    assert (found["meter:grid import_energy"], found["meter:grid export_energy"]) == (2000.0, 1000.5)


def test_what_is_not_implemented_is_a_gap_and_nothing_is_said() -> None:
    found = read(image(block(103, {})), ONE)
    assert len(found) == 8
    assert all(np.isnan(value) for value in found.values())


def test_a_value_without_its_scale_factor_is_a_gap() -> None:
    words = image(block(103, {k: v for k, v in INVERTER.items() if k != "W_SF"}))
    assert np.isnan(read(words, ONE)["inverter:inv1 ac_power"])


@pytest.mark.parametrize("power", [11, -11, 32_767])
def test_an_impossible_scale_factor_is_told_and_its_values_are_gaps(power: int) -> None:
    words = image(block(103, INVERTER | {"V_SF": power}))
    readings, troubles = decode_sunspec(walk(fetch_from(words)), words, ONE)
    values = {one.channel.quantity: one.value for one in readings}
    assert np.isnan(values["ac_voltage"])
    assert values["ac_power"] == 321.4
    assert troubles == [f"the power of ten in register 40015 is {power}, outside -10 to 10; the value is not taken"]


def test_a_float_that_is_not_finite_is_a_gap() -> None:
    found = read(image(block(113, FLOATS | {"W": float("inf"), "Hz": float("nan")})), ONE)
    assert np.isnan(found["inverter:inv1 ac_power"])
    assert np.isnan(found["inverter:inv1 ac_frequency"])


def test_half_a_block_gives_what_is_whole_and_tells_of_the_rest() -> None:
    words = image(block(103, INVERTER))
    chain = walk(fetch_from(words))
    part = {a: w for a, w in words.items() if a < 40_027}  # the energy's second word is missing
    readings, troubles = decode_sunspec(chain, part, ONE)
    assert {one.channel.quantity for one in readings} == {"ac_power", "ac_voltage", "ac_frequency"}
    assert troubles == [
        "register 40027-40034, 40040 was not read; ac_energy, status, dc_voltage, dc_current, dc_power of the block of "
        "model 103 (three-phase inverter) at register 40002 need it"
    ]


def test_the_registers_of_the_plan_are_enough() -> None:
    words = image(block(1, {}), block(103, INVERTER), block(160, {"DCV_SF": 0, "DCA_SF": 0, "DCW_SF": 0}, [{"DCV": 9}]))
    chain = walk(fetch_from(words))
    bank = {a: words[a] for first, count in read_plan(chain) for a in range(first, first + count)}
    assert len(bank) < len(words) / 2
    assert read(bank, ONE, chain=chain) == pytest.approx(read(words, ONE), nan_ok=True)


def test_a_device_that_is_no_longer_the_same_gives_nothing() -> None:
    words = image(block(103, INVERTER))
    chain = walk(fetch_from(words))
    assert chain_change(chain, words) is None
    other = words | {40_002: 113}
    told = "the chain of models has changed: register 40002 holds 113, and held 103"
    assert chain_change(chain, other) == told
    assert decode_sunspec(chain, other, ONE) == ([], [told])


def test_a_block_of_a_wrong_length_is_told_and_the_others_are_read() -> None:
    words = image(block(103, INVERTER, length=20)[:22], block(203, METER))
    readings, troubles = decode_sunspec(
        walk(fetch_from(words)), words, Subjects(inverter="inverter:inv1", meter="meter:grid")
    )
    assert {one.channel.subject for one in readings} == {"meter:grid"}
    assert troubles == [
        "the block of model 103 (three-phase inverter) at register 40002 has a length of 20, expected 50 or more; "
        "it is not read"
    ]


def test_of_two_inverters_nobody_knows_which_is_meant() -> None:
    words = image(block(103, INVERTER), block(103, INVERTER))
    assert troubles_of(words, Subjects(inverter="inverter:inv1")) == [
        "the device holds several blocks of one kind (model 103 at register 40002, model 103 at register 40054); "
        "which is inverter:inv1 cannot be told"
    ]


def test_a_device_that_tells_of_nobody_says_so() -> None:
    words = image(block(1, {}), block(203, METER))
    assert troubles_of(words, ONE) == [
        "the device holds no model that tells of inverter:inv1, string:s1; its models are 1, 203; the block of model "
        "203 (wye-connected meter) at register 40070 is not read: subjects names no meter"
    ]
