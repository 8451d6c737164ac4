"""The values of a SunSpec device in its polls."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ingest.readings import Channel, Mask, Values
from ingest.registers.snapshots import Snapshots
from ingest.registers.spots import Found, Spot, read_spot
from ingest.sunspec.chain import MARKER, Chain
from ingest.sunspec.meanings import PHOTOVOLTAIC
from ingest.sunspec.models import MODELS, inputs_in, length_fault
from ingest.sunspec.uses import Plan, Use, told

Tell = Callable[[int | None, int | None, str, str], None]  # poll, register, what was found, reason


@dataclass(frozen=True, slots=True)
class Decoded:
    """One channel's values, shape (polls,): NaN is a gap; `there` where all its registers are in the poll."""

    channel: Channel
    values: Values
    there: Mask


def headers(chain: Chain) -> Iterator[tuple[int, int]]:
    """Every register of a chain whose word is known beforehand, and that word."""
    yield from zip(range(chain.base, chain.base + len(MARKER)), MARKER, strict=True)
    for block in chain.blocks:
        yield block.address, block.model
        yield block.address + 1, block.length


def agreement(chain: Chain, shots: Snapshots) -> tuple[Mask, Mask]:
    """Polls that contradict nothing of a chain, and polls that hold any of its headers."""
    agrees, any_there = np.ones(len(shots), bool), np.zeros(len(shots), bool)
    for address, expected in headers(chain):
        word, there = shots.read(address)
        agrees &= ~there[:, 0] | (word[:, 0] == expected)
        any_there |= there[:, 0]
    return agrees, any_there


def decode(plan: Plan, shots: Snapshots, mine: Mask, tell: Tell, *, nowhere: str) -> list[Decoded]:
    """Read every channel of a plan in the polls that are `mine`; what cannot be read is told."""
    for trouble in plan.troubles:
        tell(None, None, "", trouble)
    for block in dict.fromkeys(use.block for use in plan.uses):
        _tell_of_parts([use for use in plan.uses if use.block == block], shots, mine, tell, nowhere)
    told_powers: set[int] = set()
    return [one for use in plan.uses if (one := _read_use(use, shots, mine, tell, told_powers)) is not None]


def _read_use(use: Use, shots: Snapshots, mine: Mask, tell: Tell, told_powers: set[int]) -> Decoded | None:
    found = [read_spot(spot, shots) for spot in use.spots]
    if not any((one.whole & mine).any() for one in found):
        return None
    there = mine.copy()
    for spot, one in zip(use.spots, found, strict=True):
        there &= one.whole
        if spot.power_at is not None and spot.power_at not in told_powers:
            told_powers.add(spot.power_at)
            _tell_of_powers(spot, one, shots, mine, tell)
    values = np.where(there, _meant(use, _mean([one.values for one in found])), np.nan)
    if use.gate is not None:
        kind = read_spot(use.gate, shots)
        values = np.where(kind.whole & (np.isnan(kind.values) | (kind.values == PHOTOVOLTAIC)), values, np.nan)
    return Decoded(use.channel, values, there)


def _mean(parts: list[Values]) -> Values:
    """The mean of those that have a value."""
    if len(parts) == 1:
        return parts[0]
    stacked = np.stack(parts)
    known = ~np.isnan(stacked)
    count = known.sum(axis=0)
    total = np.where(known, stacked, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _meant(use: Use, values: Values) -> Values:
    values = use.meaning.sign * values + use.meaning.shift
    return (np.maximum(values, 0.0) if use.meaning.one_way else values) + 0.0  # no negative zero


def miscounts(chain: Chain, shots: Snapshots, mine: Mask) -> list[str]:
    """Sentences about blocks whose count of inputs is not what their length says; the length is what holds."""
    notes = []
    for block in chain.blocks:
        repeat = MODELS[block.model].repeat if block.model in MODELS else None
        if repeat is None or length_fault(block.model, block.length) is not None:
            continue
        word, there = shots.read(block.address + MODELS[block.model].points[repeat.count].offset)
        counted, by_length = np.unique(word[there[:, 0] & mine, 0]), inputs_in(block.model, block.length)
        if counted.size and counted.tolist() != [by_length]:
            said = ", ".join(str(one) for one in counted.tolist())
            notes.append(f"{told(block)} says that it has {said} inputs; its length says {by_length}, which is taken")
    return notes


def _tell_of_parts(uses: list[Use], shots: Snapshots, mine: Mask, tell: Tell, nowhere: str) -> None:
    """Tell of registers that no poll holds, and of polls that hold only some of a block's registers."""
    block = uses[0].block
    needed = sorted({a for use in uses for first, count in use.spans for a in range(first, first + count)})
    held = {a: shots.read(a)[1][:, 0] for a in needed}
    absent = [a for a in needed if not (held[a] & mine).any()]
    if absent:
        whose = [use.channel for use in uses if any(a in range(f, f + c) for a in absent for f, c in use.spans)]
        names = ", ".join(dict.fromkeys(channel.quantity for channel in whose))
        tell(None, None, _ranges(absent), f"register {_ranges(absent)} {nowhere}; {names} of {told(block)} need it")
    kept = [a for a in needed if a not in absent]
    if not kept:
        return
    matrix = np.stack([held[a] for a in kept], axis=1)
    partly = mine & matrix.any(axis=1) & ~matrix.all(axis=1)
    for poll in np.flatnonzero(partly).tolist():
        missing = [a for a, here in zip(kept, matrix[poll].tolist(), strict=True) if not here]
        first = kept[int(np.argmax(matrix[poll]))]
        tell(poll, first, _ranges(missing), f"{told(block)} is only partly in this poll; register {_ranges(missing)} "
             "is missing, so nothing that needs it is taken")  # fmt: skip


def _tell_of_powers(spot: Spot, found: Found, shots: Snapshots, mine: Mask, tell: Tell) -> None:
    if found.powers is None or spot.power_at is None:
        return
    there = shots.read(spot.power_at)[1][:, 0]
    for poll in np.flatnonzero(found.unscaled & there & mine).tolist():
        power = int(found.powers[poll])
        tell(poll, spot.power_at, str(power), f"the power of ten in register {spot.power_at} is {power}, "
             "outside -10 to 10; the value is not taken")  # fmt: skip


def _ranges(addresses: list[int]) -> str:
    """Addresses as a person writes them: 40083-40085, 40092."""
    runs: list[list[int]] = []
    for address in addresses:
        if runs and address == runs[-1][1] + 1:
            runs[-1][1] = address
        else:
            runs.append([address, address])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)
