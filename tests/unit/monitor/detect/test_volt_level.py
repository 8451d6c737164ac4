"""Voltage of strings without a like on their plane: what a bypassed part does to it, and what the light does not."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from ingest.readings import Channel, Values
from monitor.detect.volt_level import observe_volt_level
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.detect.limited import AC, JUNE, POWER, VOLTS, clear_day, home, night_of

ONE_PLANE = home()
TWO_PLANES = made_site(
    plane=[{"id": "south", "tilt_deg": 35, "azimuth_deg": 180}, {"id": "west", "tilt_deg": 35, "azimuth_deg": 270}],
    inverter=[i.model_dump() for i in ONE_PLANE.inverter],
    string=[ONE_PLANE.string[0].model_dump(), ONE_PLANE.string[1].model_dump() | {"plane": "west"}],
    meter=[{"id": "grid", "role": "grid"}],
    source=[s.model_dump() for s in ONE_PLANE.source],
)


def levels(columns: Mapping[Channel, Values]) -> dict[str, dict[str, float]]:
    return observe_volt_level(night_of(TWO_PLANES, columns, JUNE))


def test_strings_of_one_plane_have_their_own_comparison() -> None:
    assert observe_volt_level(night_of(ONE_PLANE, clear_day(ONE_PLANE))) == {}


@pytest.mark.parametrize("parts", [0, 1, 3])
def test_a_bypassed_part_lowers_the_level_by_its_share_on_any_plane(parts: int) -> None:
    whole = levels(clear_day(ONE_PLANE))
    columns = clear_day(ONE_PLANE)
    columns[VOLTS["s2"]] = columns[VOLTS["s2"]] * (1.0 - parts / 30.0)
    lower = levels(columns)
    for name, sign in (("string:s2", 1.0), ("string:s1", -1.0)):
        change = lower[name]["volt_roof"] - whole[name]["volt_roof"]
        assert change == pytest.approx(sign * np.log(1.0 - parts / 30.0), abs=1e-6), name
    assert lower["string:s1"]["volt_mid"] == pytest.approx(whole["string:s1"]["volt_mid"])


def test_less_light_hardly_moves_it() -> None:
    dull = levels(clear_day(ONE_PLANE, sky=0.6))
    clear = levels(clear_day(ONE_PLANE))
    assert dull["string:s2"]["volt_mid"] == pytest.approx(clear["string:s2"]["volt_mid"], abs=0.05)
    assert dull["string:s2"]["volt_roof"] == pytest.approx(clear["string:s2"]["volt_roof"], abs=0.02)


def test_a_string_at_a_standstill_tells_nothing() -> None:
    columns = clear_day(ONE_PLANE)
    columns[POWER["s2"]] = 0.0 * columns[POWER["s2"]]
    columns[AC] = 0.96 * columns[POWER["s1"]]
    seen = levels(columns)
    assert "string:s2" not in seen
    assert "volt_roof" not in seen["string:s1"]
