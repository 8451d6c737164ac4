"""SunSpec devices with random words: the same numbers as an independent implementation, and never a wrong one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import InputError
from ingest.readers import read_file
from ingest.registers.points import decode_sunspec
from ingest.registers.snapshots import snapshot_of
from ingest.registers.spots import Spot, read_spot
from ingest.registers.words import LARGEST_POWER, SMALLEST_POWER
from ingest.sources import RegisterSource, Subjects
from ingest.sunspec.chain import read_plan, walk
from ingest.sunspec.models import MODELS, Point
from tests.sunspec_images import END, LENGTHS, MARKER, block, dump, fetch_from, image, independent

# Words that devices really send, patterns that mean "not implemented", and any others.
ODD = [0, 1, 9, 0x7FFF, 0x8000, 0xFFFF, 0x7FC0, 0x7F80, 0xFFFE, 0xFFF6]
WORD = st.one_of(st.sampled_from(ODD), st.integers(0, 0xFFFF))
SUBJECTS = Subjects.model_validate(
    {
        "inverter": "inverter:a", "inputs": ["string:a", "string:b"], "meter": "meter:a", "generation": "export",
        "positive_power": "import",
    }
)  # fmt: skip


def random_words(count: int, seed: int, odd: float) -> list[int]:
    """Words of which a share is odd; drawn in one go, as Hypothesis takes long over long lists."""
    rng = np.random.default_rng(seed)
    words: list[int] = np.where(
        rng.random(count) < odd, rng.choice(ODD, count), rng.integers(0, 65_536, count)
    ).tolist()
    return words


def theirs(group: Any, model: Any, name: str, point: Point) -> float:
    """A point as the other implementation has it; NaN for none.

    Left out is what it is known to do otherwise: it gives infinities, scales by powers beyond ten, gives a value
    unscaled when the scale factor is not implemented, and takes an accumulator of all ones for a count.
    """
    raw = group.points[name].value
    if raw is None or not math.isfinite(raw) or (point.type == "acc32" and raw == 0xFFFF_FFFF):
        return math.nan
    if point.scale is None:
        return float(raw)
    power = model.points[point.scale].value
    if power is None or not SMALLEST_POWER <= power <= LARGEST_POWER:
        return math.nan
    return float(group.points[name].cvalue)


def ours(words: Sequence[int], point: Point, scales: Mapping[str, Point], at: int) -> float:
    power_at = scales[point.scale].offset if point.scale is not None else None
    shots = snapshot_of(0, dict(enumerate(words)))
    return float(read_spot(Spot(at + point.offset, point.type, power_at=power_at), shots).values[0])


@pytest.mark.parametrize("model", [m for m in MODELS if MODELS[m].points])
@given(seed=st.integers(0, 2**32), odd=st.floats(0, 1))
@settings(max_examples=40)
def test_every_point_is_as_an_independent_implementation_has_it(model: int, seed: int, odd: float) -> None:
    words = [model, LENGTHS[model], *random_words(LENGTHS[model], seed, odd)]
    if model == 714:
        words[4] = 2  # the other implementation counts the ports by this point, and would make thousands
    other, mine = independent(model, words), MODELS[model]
    for name, point in mine.points.items():
        assert ours(words, point, mine.points, 0) == pytest.approx(theirs(other, other, name, point), nan_ok=True)
    if mine.repeat is not None:
        (groups,) = other.groups.values()
        assert len(groups) == 2
        for place, group in enumerate(groups):
            at = mine.repeat.offset + place * mine.repeat.size
            for name, point in mine.repeat.points.items():
                found = ours(words, point, mine.points, at)
                assert found == pytest.approx(theirs(group, other, name, point), nan_ok=True)


def made_image(words: Sequence[int]) -> dict[int, int]:
    return dict(enumerate([*MARKER, *words], 40_000))


@given(st.lists(st.one_of(st.sampled_from([1, *MODELS, 0xFFFF, 0, 48, 50, 60, 105]), WORD), max_size=400))
def test_any_words_behind_a_marker_give_numbers_or_gaps(words: list[int]) -> None:
    bank = made_image(words)
    chain = walk(fetch_from(bank))
    assert len(chain.blocks) <= 100
    assert all(1 <= count <= 125 for _, count in read_plan(chain))
    for one in decode_sunspec(chain, bank, SUBJECTS)[0]:
        assert math.isnan(one.value) or math.isfinite(one.value)


SOUND = image(
    block(1, {}),
    block(103, {"W": 3214, "W_SF": -1, "WH": 123_456_789, "WH_SF": -2, "PhVphA": 2301, "PhVphB": 2311, "PhVphC": 2321,
                "V_SF": -1, "Hz": 5001, "Hz_SF": -2, "St": 4}),
    block(160, {"DCA_SF": -2, "DCV_SF": -1, "DCW_SF": 0, "N": 2},
          [{"DCA": 850, "DCV": 3805, "DCW": 3234}, {"DCA": 10, "DCV": 4010, "DCW": 40}]),
    block(203, {"W": -1500, "W_SF": 0, "TotWhExp": 1_000_001, "TotWhImp": 2_000_002, "TotWh_SF": -1, "PhV": 2305,
                "V_SF": -1, "Hz": 4998, "Hz_SF": -2}),
    end=END,
)  # fmt: skip
TRUE = {one.channel: one.value for one in decode_sunspec(walk(fetch_from(SOUND)), SOUND, SUBJECTS)[0]}


@given(st.lists(st.integers(0, len(SOUND) - 1), max_size=40), st.integers(0, len(SOUND)))
def test_registers_that_are_missing_cost_their_values_and_change_none(gone: list[int], end: int) -> None:
    addresses = list(SOUND)
    missing = {addresses[i] for i in gone} | set(addresses[end:])
    part = {address: word for address, word in SOUND.items() if address not in missing}
    chain = walk(fetch_from(SOUND))
    readings, troubles = decode_sunspec(chain, part, SUBJECTS)
    for one in readings:
        assert math.isnan(one.value) or one.value == TRUE[one.channel]
    needed = {a for first, count in read_plan(chain) for a in range(first, first + count)}
    lost = len(TRUE) - sum(not math.isnan(one.value) for one in readings)
    assert (lost == 0) <= (not troubles or bool(missing & needed))
    assert troubles or lost == 0


SOURCE = RegisterSource.model_validate(
    {
        "id": "dump", "kind": "registers", "files": "x", "interval_minutes": 30, "model": "sunspec",
        "time": {"column": "at", "zone": "UTC"}, "subjects": SUBJECTS.model_dump(),
        "registers": {"unit_id": "unit", "address": "address", "word": "word"},
    }
)  # fmt: skip
ROWS = (dump(SOUND) + dump(SOUND, "2026-06-01T12:30:00Z")).splitlines(keepends=True)


@given(st.integers(0, 2**32), st.integers(0, len(ROWS)))
@settings(max_examples=60)
def test_a_dump_in_any_order_of_which_any_part_is_lost_holds_no_other_number(seed: int, kept: int) -> None:
    order = np.random.default_rng(seed).permutation(len(ROWS))
    text = "at,unit,address,word\n" + "".join(ROWS[i] for i in order[:kept])
    result = read_file(text.encode(), name="x.csv", source=SOURCE)
    for table in result.tables:
        for channel, values in table.columns.items():
            assert np.all(np.isnan(values) | (values == TRUE[channel]))
    assert kept < len(ROWS) or (not result.rejects and sum(len(t.columns) for t in result.tables) == len(TRUE))
    assert result.rejects or result.tables or not kept or result.notes


@given(st.dictionaries(st.integers(0, 65_535), WORD, max_size=60), st.integers(0, 65_535))
def test_a_device_without_a_marker_is_refused_in_a_sentence(bank: dict[int, int], base: int) -> None:
    try:
        chain = walk(fetch_from(bank), base)
    except InputError as error:
        assert error.reason.startswith(f"no marker (0x5375 0x6E53) at register {base}; expected")  # noqa: PT017
    else:
        assert (bank[base], bank[base + 1]) == MARKER
        assert chain.base == base
