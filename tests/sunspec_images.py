"""Register images of SunSpec devices, written by an independent implementation of the standard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sunspec2.device
import sunspec2.file.client
import sunspec2.mb

from ingest.sunspec.chain import Fetch

MARKER = (0x5375, 0x6E53)
END = (0xFFFF, 0)
# Shortest blocks with two inputs where inputs repeat.
LENGTHS = {
    1: 66, 101: 50, 102: 50, 103: 50, 111: 60, 112: 60, 113: 60, 160: 48, 201: 105, 202: 105, 203: 105, 204: 105,
    211: 124, 212: 124, 213: 124, 214: 124, 701: 153, 714: 68,
}  # fmt: skip


def definition(model: int) -> dict[str, Any]:
    """The group of points that the standard's own file defines for a model."""
    found: dict[str, Any] = sunspec2.device.get_model_def(model)["group"]
    return found


def block(
    model: int, points: Mapping[str, float], inputs: Sequence[Mapping[str, float]] = (), *, length: int | None = None
) -> list[int]:
    """The words of a block with its header; points that are not named are written as not implemented."""
    group = definition(model)
    body = _group(group, {**points, "ID": model})
    for one in inputs:
        body += _group(group["groups"][0], one)
    body[1] = len(body) - 2 if length is None else length
    return body


def image(*blocks: Sequence[int], base: int = 40_000, end: Sequence[int] = END) -> dict[int, int]:
    """A device's registers: marker, blocks, end block."""
    words = [*MARKER, *(word for one in blocks for word in one), *end]
    return dict(enumerate(words, base))


def fetch_from(words: Mapping[int, int]) -> Fetch:
    """A device that has these registers and no others, and takes no request for more than 125."""

    def fetch(address: int, count: int) -> list[int] | None:
        assert 1 <= count <= 125
        span = range(address, address + count)
        return [words[a] for a in span] if all(a in words for a in span) else None

    return fetch


def independent(model: int, words: Sequence[int]) -> Any:
    """A block as the other implementation reads it; `words` begin with the block's header."""
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return sunspec2.file.client.FileClientModel(model_id=model, model_len=words[1], data=data)


def dump(words: Mapping[int, int], at: str = "2026-06-01T12:00:00Z", unit: int = 126) -> str:
    """An image as rows of a dump, one poll."""
    return "".join(f"{at},{unit},{address},{word}\n" for address, word in words.items())


def _group(group: Mapping[str, Any], values: Mapping[str, float]) -> list[int]:
    words: list[int] = []
    for point in group["points"]:
        kind, size = point["type"], int(point["size"]) * 2
        if point["name"] in values:
            data = sunspec2.mb.point_type_info[kind].to_data(values[point["name"]], size)
        elif kind == "pad":
            data = b"\x80\x00"
        else:
            data = sunspec2.mb.create_unimpl_value(kind, len=size)
        words += [int.from_bytes(data[i : i + 2], "big") for i in range(0, size, 2)]
    return words
