"""The tables of points against the standard's own files, as an independent implementation carries them."""

from __future__ import annotations

from typing import Any

import pytest

from ingest.registers.words import width
from ingest.sunspec.models import MODELS, Point, inputs_in, length_fault, needed_spans
from tests.sunspec_images import LENGTHS, definition

TYPES = {"sunssf": "int16", "enum16": "uint16", "count": "uint16"}


def standard(group: dict[str, Any], offset: int = 0) -> dict[str, tuple[int, str, int, str | None]]:
    """Offset, type, registers and scale factor of every point of a group, by its name."""
    points = {}
    for point in group["points"]:
        kind = TYPES.get(point["type"], point["type"])
        points[point["name"]] = (offset, kind, int(point["size"]), point.get("sf"))
        offset += int(point["size"])
    return points


def ours(points: dict[str, Point]) -> dict[str, tuple[int, str, int, str | None]]:
    return {name: (p.offset, p.type, width(p.type), p.scale) for name, p in points.items()}


def test_every_model_has_its_length_here() -> None:
    assert set(LENGTHS) == set(MODELS)


@pytest.mark.parametrize("model", MODELS)
def test_points_stand_where_the_standard_has_them(model: int) -> None:
    known = standard(definition(model))
    assert ours(MODELS[model].points).items() <= known.items()


@pytest.mark.parametrize("model", [160, 714])
def test_points_of_an_input_stand_where_the_standard_has_them(model: int) -> None:
    repeat = MODELS[model].repeat
    assert repeat is not None
    (group,) = definition(model)["groups"]
    assert ours(repeat.points).items() <= standard(group).items()
    assert repeat.size == sum(int(point["size"]) for point in group["points"])
    assert repeat.offset == sum(int(point["size"]) for point in definition(model)["points"])
    assert repeat.count in MODELS[model].points


@pytest.mark.parametrize("model", MODELS)
def test_the_standard_length_is_none_too_short(model: int) -> None:
    size = sum(int(point["size"]) for point in definition(model)["points"])
    assert MODELS[model].length <= size - 2
    assert length_fault(model, LENGTHS[model]) is None


def test_a_short_block_is_not_read() -> None:
    assert length_fault(103, 49) == "has a length of 49, expected 50 or more"
    assert needed_spans(103, 49) == []


@pytest.mark.parametrize("length", [8, 47, 49])
def test_a_block_of_inputs_is_as_long_as_its_inputs(length: int) -> None:
    assert length_fault(160, length) == f"has a length of {length}, expected 8 and 20 for each input"


@pytest.mark.parametrize(("model", "length", "inputs"), [(160, 28, 1), (160, 88, 4), (714, 43, 1), (103, 50, 0)])
def test_the_length_tells_how_many_inputs_there_are(model: int, length: int, inputs: int) -> None:
    assert inputs_in(model, length) == inputs
