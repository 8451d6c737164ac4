"""A roof whose sun is up from 06:00 to 18:00 UTC."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.draft.proposal import Roof
from ingest.readings import Seconds, Values


def elevation(times: Seconds) -> Values:
    """Height of that sun [deg]."""
    return np.asarray(60.0 * np.sin(2 * np.pi * (times / 86_400 - 0.25)))


@pytest.fixture
def roof() -> Roof:
    """Two inverters with a string each, a generation meter and a grid meter."""
    return Roof(
        site="larkrise",
        zone="Europe/London",
        elevation=elevation,
        strings={"s1": 4000.0, "s2": 3000.0},
        inverters={"inv1": 4000.0, "inv2": 3000.0},
        meters={"gen1": "generation", "grid": "grid"},
        parts=frozenset({"battery"}),
    )
