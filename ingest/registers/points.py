"""The readings of one poll: by a map of points, or by a device's SunSpec models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.readings import Channel
from ingest.registers.reads import Read, merge_reads
from ingest.registers.snapshots import Bank, snapshot_of
from ingest.registers.spots import Spot, read_spot
from ingest.sources import RegisterPoint, ScaleRegister, Subjects
from ingest.sunspec.chain import Chain
from ingest.sunspec.decode import decode, headers
from ingest.sunspec.uses import plan_uses


@dataclass(frozen=True, slots=True)
class PointReading:
    """One value of one poll, in the channel's unit as recorded; NaN is a gap."""

    channel: Channel
    value: float


def channel_of(point: RegisterPoint) -> Channel:
    """The channel that a point of a map gives."""
    return Channel(point.of, point.quantity, point.reads, point.unit)


def spot_of(point: RegisterPoint) -> Spot:
    """Where a point of a map stands."""
    if isinstance(point.scale, ScaleRegister):
        return Spot(point.address, point.type, point.word_order, power_at=point.scale.address)
    return Spot(point.address, point.type, point.word_order, factor=point.scale)


def decode_map(points: Sequence[RegisterPoint], banks: Mapping[int, Bank]) -> tuple[list[PointReading], list[str]]:
    """Values of a map's points in one poll (registers by unit), and sentences about what could not be read.

    A point that is not implemented is a gap and nothing is said of it.
    """
    readings, troubles = [], []
    for point in points:
        value, trouble = _decode_point(point, banks.get(point.unit_id, {}))
        readings.append(PointReading(channel_of(point), value))
        if trouble:
            troubles.append(f"{trouble}; {point.quantity} of {point.of} has no value")
    return readings, troubles


def reads_of_map(points: Sequence[RegisterPoint]) -> dict[int, list[Read]]:
    """By unit the reads (address, count) that fetch a map's points; only registers that the map names are asked for."""
    units = sorted({point.unit_id for point in points})
    return {unit: merge_reads(span for p in points if p.unit_id == unit for span in spot_of(p).spans) for unit in units}


def decode_sunspec(chain: Chain, bank: Bank, subjects: Subjects) -> tuple[list[PointReading], list[str]]:
    """Values of a SunSpec device in one poll, and sentences about what could not be read.

    A bank that contradicts the chain gives nothing: the device is not what it was, and its chain is to be walked anew.
    """
    changed = chain_change(chain, bank)
    if changed is not None:
        return [], [changed]
    troubles: list[str] = []
    plan, shots = plan_uses(chain, subjects), snapshot_of(0, bank)
    found = decode(plan, shots, np.ones(1, bool), lambda *what: troubles.append(what[3]), nowhere="was not read")
    return [PointReading(one.channel, float(one.values[0])) for one in found], troubles


def chain_change(chain: Chain, bank: Bank) -> str | None:
    """A sentence about the first header that is not as the chain has it; None when all that were read are."""
    for address, expected in headers(chain):
        if bank.get(address, expected) != expected:
            return f"the chain of models has changed: register {address} holds {bank[address]}, and held {expected}"
    return None


def _decode_point(point: RegisterPoint, bank: Bank) -> tuple[float, str]:
    spot = spot_of(point)
    found = read_spot(spot, snapshot_of(point.unit_id, bank))
    missing = ", ".join(str(a) for first, count in spot.spans for a in range(first, first + count) if a not in bank)
    if found.half[0]:
        return np.nan, f"half a value: register {missing} of unit {point.unit_id} is not in the same poll"
    if missing:
        return np.nan, f"register {missing} of unit {point.unit_id} was not read"
    if found.unscaled[0] and found.powers is not None:
        power = int(found.powers[0])
        return np.nan, f"the power of ten in register {spot.power_at} is {power}, outside -10 to 10"
    return float(found.values[0]), ""
