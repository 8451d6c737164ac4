"""A value's place among the registers, and the values that stand there, poll by poll."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from ingest.registers.reads import Read
from ingest.registers.snapshots import Snapshots
from ingest.registers.words import (
    LARGEST_POWER,
    NO_POWER,
    SMALLEST_POWER,
    Numbers,
    decode_words,
    scale_by,
    scale_by_powers,
    width,
)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a value stands, how it is written, and what it is scaled by: a factor, or a register's power of ten."""

    address: int
    type: str
    word_order: str = "big"
    factor: float = 1.0
    power_at: int | None = None

    @property
    def span(self) -> Read:
        """The value's own registers."""
        return self.address, width(self.type)

    @property
    def spans(self) -> tuple[Read, ...]:
        """Every register that the value needs."""
        return (self.span,) if self.power_at is None else (self.span, (self.power_at, 1))


@dataclass(frozen=True, slots=True)
class Found:
    """Values of a spot, shape (polls,): NaN where there is none, and the masks that say why."""

    values: Values
    whole: Mask  # all registers of the value are in the poll, and of one reading
    half: Mask  # some of them are
    unscaled: Mask  # there is a value, and no power of ten that could be meant
    powers: Numbers | None  # of the scale register; None: the factor is fixed, or the register is nowhere


def read_spot(spot: Spot, shots: Snapshots) -> Found:
    """The values of a spot in all polls; a value that is not there whole is none."""
    words, there = shots.read(*spot.span)
    whole: Mask = np.all(there, axis=1) & shots.in_step(*spot.span)
    half: Mask = np.any(there, axis=1) & ~whole
    raw = np.where(whole, decode_words(words, spot.type, spot.word_order), np.nan)
    if spot.power_at is None:
        return Found(scale_by(raw, spot.factor), whole, half, np.zeros(len(shots), bool), None)
    power, power_there = shots.read(spot.power_at)
    powers = power[:, 0].view(np.int16).astype(np.int64)
    meant = power_there[:, 0] & (powers >= SMALLEST_POWER) & (powers <= LARGEST_POWER)
    unscaled = ~np.isnan(raw) & ~meant & ~(power_there[:, 0] & (powers == NO_POWER))
    values = np.where(meant, scale_by_powers(raw, powers), np.nan)
    return Found(values, whole, half, unscaled, powers if power_there.any() else None)
