"""Walks the chain of a device's models: a marker, then block after block, each with its model and length."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest.errors import InputError
from ingest.registers.reads import Read, merge_reads
from ingest.sunspec.models import needed_spans

Fetch = Callable[[int, int], Sequence[int] | None]  # address and count to words; None: no such registers

MARKER = (0x5375, 0x6E53)  # "SunS"
BASES = (40_000, 0, 50_000)
END = 0xFFFF
MOST_BLOCKS = 100
_REGISTERS = 65_536
_GAP = 20  # registers of a block that are read along rather than asked for apart


@dataclass(frozen=True, slots=True)
class Block:
    """One model of a device: its header (model and length) stands at `address`, `length` registers follow."""

    model: int
    address: int
    length: int


@dataclass(frozen=True, slots=True)
class Chain:
    """The blocks of a device in order; `complete` when the end block was met."""

    base: int
    blocks: tuple[Block, ...]
    complete: bool


def walk(fetch: Fetch, base: int | None = None) -> Chain:
    """Find the marker and follow the chain from there.

    InputError when there is no marker. A chain that breaks off, or has more than 100 blocks, is what was read of it.
    """
    bases = BASES if base is None else (base,)
    for candidate in bases:
        if _words(fetch, candidate, 2) == MARKER:
            return _follow(fetch, candidate)
    where = ", ".join(str(b) for b in bases[:-1]) + " or " if len(bases) > 1 else ""
    raise InputError(
        "SunSpec",
        f"no marker (0x5375 0x6E53) at register {where}{bases[-1]}; expected the start of a model chain there",
    )


def read_plan(chain: Chain) -> list[Read]:
    """Reads (address, count) that fetch every point we know of the chain, and the blocks' headers to check them by."""
    return [
        read
        for block in chain.blocks
        if (spans := needed_spans(block.model, block.length))
        for read in merge_reads([(block.address + offset, count) for offset, count in spans], gap=_GAP)
    ]


def _follow(fetch: Fetch, base: int) -> Chain:
    blocks: list[Block] = []
    address = base + len(MARKER)
    while len(blocks) < MOST_BLOCKS and address < _REGISTERS:
        header = _words(fetch, address, 2)
        if header is None:  # some devices end without the length of the end block
            return Chain(base, tuple(blocks), complete=_words(fetch, address, 1) == (END,))
        model, length = header
        if model == END:
            return Chain(base, tuple(blocks), complete=True)
        if model == 0 or address + 2 + length > _REGISTERS:
            break
        blocks.append(Block(model, address, length))
        address += 2 + length
    return Chain(base, tuple(blocks), complete=False)


def _words(fetch: Fetch, address: int, count: int) -> tuple[int, ...] | None:
    if address + count > _REGISTERS:
        return None
    words = fetch(address, count)
    return tuple(words) if words is not None and len(words) == count else None
