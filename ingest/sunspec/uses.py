"""Which points of a device's chain are read for whom."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ingest.readings import Channel
from ingest.registers.reads import Read
from ingest.registers.spots import Spot
from ingest.sources import NO_STRING, Subjects
from ingest.sunspec.chain import Block, Chain
from ingest.sunspec.meanings import INPUTS, INVERTERS, METERS, Meaning, of_input, of_inverter, of_meter
from ingest.sunspec.models import HEADER, MODELS, Point, inputs_in, length_fault


@dataclass(frozen=True, slots=True)
class Use:
    """A channel of the device: the block and the spots it is read from, and what is done with the values."""

    block: Block
    channel: Channel
    meaning: Meaning
    spots: tuple[Spot, ...]
    gate: Spot | None = None  # the type of the port, which must be photovoltaic

    @property
    def spans(self) -> tuple[Read, ...]:
        """Every register that is needed, the block's header included."""
        gates = (self.gate,) if self.gate is not None else ()
        needed = [span for spot in (*self.spots, *gates) for span in spot.spans]
        return ((self.block.address, HEADER), *needed)


@dataclass(frozen=True, slots=True)
class Plan:
    """All that is read of a chain, sentences about what of it cannot be, and about what nobody asked for."""

    uses: tuple[Use, ...]
    troubles: tuple[str, ...]
    notes: tuple[str, ...]


def plan_uses(chain: Chain, subjects: Subjects) -> Plan:
    """Bring a device's models and the subjects it speaks of together."""
    troubles = [f"{told(block)} {fault}; it is not read" for block, fault in _misfits(chain)]
    uses: list[Use] = []
    if subjects.inverter is not None:
        uses += _inverter_uses(chain, subjects.inverter, troubles)
    if subjects.meter is not None:
        uses += _meter_uses(chain, subjects, subjects.meter, troubles)
    if subjects.inputs:
        uses += _input_uses(chain, subjects.inputs, troubles)
    notes = _unasked(chain, subjects)
    if not uses and not troubles:
        models = ", ".join(str(block.model) for block in chain.blocks) or "none"
        whose = ", ".join(subjects.named)
        troubles.append(
            "; ".join([f"the device holds no model that tells of {whose}; its models are {models}", *notes])
        )
    return Plan(tuple(uses), tuple(troubles), notes)


def told(block: Block) -> str:
    """A block as a sentence names it."""
    return f"the block of model {block.model} ({MODELS[block.model].title}) at register {block.address}"


def _unasked(chain: Chain, subjects: Subjects) -> tuple[str, ...]:
    """Blocks that could be read if somebody said whom they tell of."""
    kinds = (("inverter", INVERTERS, subjects.inverter), ("meter", METERS, subjects.meter))
    notes = [
        f"{told(block)} is not read: subjects names no {kind}"
        for kind, families, subject in kinds
        for block in chain.blocks
        if subject is None and any(block.model in family for family in families)
    ]
    has_meter = any(block.model in family for family in METERS for block in chain.blocks)
    if subjects.meter is not None and subjects.positive_power is None and has_meter:
        notes.append(
            "the meter's power is not taken: subjects.positive_power does not say which flow it counts positive"
        )
    return tuple(notes)


def _misfits(chain: Chain) -> Iterable[tuple[Block, str]]:
    for block in chain.blocks:
        fault = length_fault(block.model, block.length) if block.model in MODELS else None
        if fault is not None:
            yield block, fault


def _find(chain: Chain, families: tuple[tuple[int, ...], ...], whose: str, troubles: list[str]) -> Block | None:
    """The block that speaks of a subject; none where there are several that do, which is told."""
    sound = [b for b in chain.blocks if b.model in MODELS and length_fault(b.model, b.length) is None]
    for family in families:
        fitting = [block for block in sound if block.model in family]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            where = ", ".join(f"model {block.model} at register {block.address}" for block in fitting)
            troubles.append(f"the device holds several blocks of one kind ({where}); which is {whose} cannot be told")
            return None
    return None


def _inverter_uses(chain: Chain, subject: str, troubles: list[str]) -> list[Use]:
    block = _find(chain, INVERTERS, subject, troubles)
    return [] if block is None else [_use(block, subject, meaning) for meaning in of_inverter(block.model)]


def _meter_uses(chain: Chain, subjects: Subjects, subject: str, troubles: list[str]) -> list[Use]:
    block = _find(chain, METERS, subject, troubles)
    if block is None:
        return []
    return [_use(block, subject, meaning) for meaning in of_meter(subjects.generation, subjects.positive_power)]


def _input_uses(chain: Chain, inputs: tuple[str, ...], troubles: list[str]) -> list[Use]:
    """Voltage, current and power of the strings, from the block of inputs, or of a single one from the inverter's."""
    if not any(block.model in family for family in INPUTS for block in chain.blocks):
        inverter = _find(chain, INVERTERS[:2], inputs[0], [])
        if inverter is None or len(inputs) != 1 or inputs[0] == NO_STRING:
            return []
        return [_use(inverter, inputs[0], meaning) for meaning in of_input()]
    block = _find(chain, INPUTS, ", ".join(inputs), troubles)
    if block is None:
        return []
    count = inputs_in(block.model, block.length)
    if count != len(inputs):
        troubles.append(
            f"{told(block)} has {count} inputs, and subjects.inputs are {len(inputs)} ({', '.join(inputs)}); "
            f"expected one for each, {NO_STRING!r} for an input that is not one string"
        )
        return []
    return [
        _input_use(block, place, subject, meaning)
        for place, subject in enumerate(inputs)
        if subject != NO_STRING
        for meaning in of_input()
    ]


def _use(block: Block, subject: str, meaning: Meaning) -> Use:
    points = MODELS[block.model].points
    spots = tuple(_spot(block, points[name], points) for name in meaning.points)
    return Use(block, _channel(subject, meaning), meaning, spots)


def _input_use(block: Block, place: int, subject: str, meaning: Meaning) -> Use:
    model = MODELS[block.model]
    assert model.repeat is not None
    at = model.repeat.offset + place * model.repeat.size
    spots = tuple(_spot(block, model.repeat.points[name], model.points, at) for name in meaning.points)
    gate = model.repeat.points.get("PrtTyp")
    return Use(
        block, _channel(subject, meaning), meaning, spots, _spot(block, gate, model.points, at) if gate else None
    )


def _spot(block: Block, point: Point, scales: dict[str, Point], at: int = 0) -> Spot:
    power_at = block.address + scales[point.scale].offset if point.scale is not None else None
    return Spot(block.address + at + point.offset, point.type, power_at=power_at)


def _channel(subject: str, meaning: Meaning) -> Channel:
    return Channel(subject, meaning.quantity, meaning.reads, meaning.unit)
