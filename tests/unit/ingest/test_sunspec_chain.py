"""The walk along a device's chain of models, and which registers are then read."""

from __future__ import annotations

import pytest

from ingest.errors import InputError
from ingest.sunspec.chain import Block, read_plan, walk
from ingest.sunspec.models import MODELS, needed_spans
from tests.sunspec_images import END, LENGTHS, MARKER, block, fetch_from, image

INVERTER = image(block(1, {}), block(103, {}), block(160, {}, [{}, {}]))


@pytest.mark.parametrize("base", [40_000, 0, 50_000])
def test_the_chain_begins_at_one_of_three_registers(base: int) -> None:
    chain = walk(fetch_from(image(block(1, {}), block(103, {}), base=base)))
    assert chain.base == base
    assert chain.blocks == (Block(1, base + 2, 66), Block(103, base + 70, 50))
    assert chain.complete


def test_another_base_may_be_told() -> None:
    words = image(block(103, {}), base=40_001)
    assert walk(fetch_from(words), 40_001).blocks == (Block(103, 40_003, 50),)
    with pytest.raises(InputError, match="no marker .0x5375 0x6E53. at register 40000, 0 or 50000; expected the start"):
        walk(fetch_from(words))
    with pytest.raises(InputError, match="no marker .0x5375 0x6E53. at register 7; expected the start"):
        walk(fetch_from(words), 7)


def test_an_older_common_model_lacks_its_pad() -> None:
    words = image(block(1, {}, length=65)[:-1], block(101, {}))
    assert walk(fetch_from(words)).blocks == (Block(1, 40_002, 65), Block(101, 40_069, 50))


def test_the_end_block_may_lack_its_length() -> None:
    assert walk(fetch_from(image(block(103, {}), end=END[:1]))).complete


@pytest.mark.parametrize("end", [(), (0, 0), (0, 7, 1, 2), (103, 0xFFFF), (160,)])
def test_a_chain_without_an_end_is_what_was_read_of_it(end: tuple[int, ...]) -> None:
    chain = walk(fetch_from(image(block(103, {}), end=end)))
    assert (chain.blocks, chain.complete) == ((Block(103, 40_002, 50),), False)


def test_an_endless_chain_is_left_after_a_hundred_blocks() -> None:
    words = dict(enumerate([*MARKER, *[7, 0] * 5000], 40_000))
    chain = walk(fetch_from(words))
    assert (len(chain.blocks), chain.complete) == (100, False)


def test_a_device_may_answer_with_too_few_words() -> None:
    with pytest.raises(InputError, match="no marker"):
        walk(lambda _address, count: [MARKER[0]] * (count - 1))


def test_reads_cover_what_is_needed_and_hold_no_more_than_a_request_may() -> None:
    words = image(block(1, {}), *(block(m, {}, [{}, {}] if MODELS[m].repeat else []) for m in LENGTHS if m != 1))
    chain = walk(fetch_from(words))
    plan = read_plan(chain)
    assert max(count for _, count in plan) <= 125
    for one in chain.blocks:
        for offset, count in needed_spans(one.model, one.length):
            address = one.address + offset
            assert any(a <= address and address + count <= a + c for a, c in plan), (one.model, offset)


def test_each_block_is_read_with_its_header_and_models_that_tell_nothing_are_not() -> None:
    assert read_plan(walk(fetch_from(INVERTER))) == [(40_070, 39), (40_122, 42)]


def test_a_long_block_of_inputs_takes_several_reads() -> None:
    plan = read_plan(walk(fetch_from(image(block(160, {}, [{}] * 9)))))
    assert len(plan) == 2
    assert max(count for _, count in plan) <= 125
