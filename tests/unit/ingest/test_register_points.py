"""One poll of a device by a map of points."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.readings import Channel
from ingest.registers.points import PointReading, decode_map, reads_of_map
from ingest.sources import RegisterPoint


def point(address: int, kind: str = "uint16", **more: object) -> RegisterPoint:
    given = {"unit_id": 3, "address": address, "type": kind, "quantity": "ac_power", "of": "inverter:a", "unit": "W"}
    return RegisterPoint.model_validate(given | more)


ENERGY = point(4000, "uint32", scale=0.01, quantity="ac_energy", of="meter:gen1", unit="kWh", reads="counter")
POWER = point(4010, "int16", scale={"address": 4011})
OTHER = point(7, "float32", unit_id=4, of="inverter:b")


def test_a_poll_gives_the_values_of_its_points() -> None:
    banks = {3: {4000: 1, 4001: 2, 4010: 0xFFFE, 4011: 2}, 4: {7: 0x42F6, 8: 0xE979}}
    assert decode_map([ENERGY, POWER, OTHER], banks) == (
        [
            PointReading(Channel("meter:gen1", "ac_energy", "counter", "kWh"), 655.38),
            PointReading(Channel("inverter:a", "ac_power", "mean", "W"), -200.0),
            PointReading(Channel("inverter:b", "ac_power", "mean", "W"), pytest.approx(123.456, abs=1e-5)),
        ],
        [],
    )


@pytest.mark.parametrize(
    ("bank", "told"),
    [
        (
            {4001: 2},
            "half a value: register 4000 of unit 3 is not in the same poll; ac_energy of meter:gen1 has no value",
        ),
        ({}, "register 4000, 4001 of unit 3 was not read; ac_energy of meter:gen1 has no value"),
    ],
)
def test_a_value_that_was_not_read_whole_is_a_gap_and_told(bank: dict[int, int], told: str) -> None:
    (reading,), troubles = decode_map([ENERGY], {3: bank})
    assert np.isnan(reading.value)
    assert troubles == [told]


@pytest.mark.parametrize(
    ("bank", "told"),
    [
        ({4010: 5}, ["register 4011 of unit 3 was not read; ac_power of inverter:a has no value"]),
        ({4010: 5, 4011: 77}, ["the power of ten in register 4011 is 77, outside -10 to 10; ac_power of inverter:a has "
                               "no value"]),
        ({4010: 5, 4011: 0x8000}, []),
        ({4010: 0x8000, 4011: 0}, []),
    ],
)  # fmt: skip
def test_a_value_without_its_scale_or_that_is_not_implemented_is_a_gap(bank: dict[int, int], told: list[str]) -> None:
    (reading,), troubles = decode_map([POWER], {3: bank})
    assert np.isnan(reading.value)
    assert troubles == told


def test_a_unit_that_did_not_answer_leaves_gaps() -> None:
    readings, troubles = decode_map([OTHER], {3: {7: 1, 8: 1}})
    assert np.isnan(readings[0].value)
    assert troubles == ["register 7, 8 of unit 4 was not read; ac_power of inverter:b has no value"]


def test_reads_cover_values_and_scales_and_nothing_that_the_map_does_not_name() -> None:
    assert reads_of_map([ENERGY, POWER, OTHER, point(4012), point(4014)]) == {
        3: [(4000, 2), (4010, 3), (4014, 1)],
        4: [(7, 2)],
    }
