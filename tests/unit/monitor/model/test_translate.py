"""Volts and amps in another light, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.translate import current_at, voltage_at


def test_current_goes_with_the_light() -> None:
    found = current_at(np.array([8.0, 4.0]), from_w_m2=np.array([800.0, 400.0]), to_w_m2=1000.0)
    assert found == pytest.approx([10.0, 10.0])


def test_voltage_falls_with_heat() -> None:
    # 300 V at 25 degrees and -0.4 % a degree are 270 V at 50 degrees.
    assert voltage_at(np.array([300.0]), from_c=np.array([25.0]), to_c=50.0, per_c=-0.004) == pytest.approx(270.0)
    assert voltage_at(np.array([270.0]), from_c=np.array([50.0]), to_c=25.0, per_c=-0.004) == pytest.approx(300.0)
