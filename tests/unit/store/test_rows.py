"""Records to rows, and values to JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest

from monitor.store.rows import dump_json, portions, to_row


@dataclass(frozen=True)
class Mixed:
    number: float
    text: str
    when: date


def test_what_one_database_cannot_hold_becomes_what_both_can() -> None:
    row = to_row(Mixed(float("nan"), "a\0b\udce9", date(2026, 1, 2)))
    assert row == {"number": None, "text": "a\ufffdb?", "when": date(2026, 1, 2)}


def test_json_takes_numpy_and_dates_and_has_no_numbers_of_its_own_kind() -> None:
    value = {
        "day": date(2026, 1, 2),
        "array": np.array([1.5, np.nan]),
        "scalar": np.float64(0.25),
        "flag": np.bool_(True),
        "deep": [{"x": float("inf")}, (float("nan"), 1)],
    }
    assert json.loads(dump_json(value)) == {
        "day": "2026-01-02",
        "array": [1.5, None],
        "scalar": 0.25,
        "flag": True,
        "deep": [{"x": None}, [None, 1]],
    }


def test_json_of_anything_else_is_a_mistake() -> None:
    with pytest.raises(TypeError, match="a set does not go into the store as JSON"):
        dump_json({"x": {1, 2}})


def test_portions_hold_every_item_once() -> None:
    assert list(portions(iter(range(5)), 2)) == [[0, 1], [2, 3], [4]]
    assert list(portions([])) == []
