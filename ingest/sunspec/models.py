"""The points that we read of the SunSpec information models, and where they stand.

Source: SunSpec information models, https://github.com/sunspec/models (Apache License 2.0). Names, offsets, types and
scale factors are facts of that standard; the tables are our own and hold only what is read.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from ingest.registers.reads import Read
from ingest.registers.words import width

HEADER = 2  # registers of a block's model and length, which its length does not count


@dataclass(frozen=True, slots=True)
class Point:
    """Offset from the block's first register (its header included), type, and the point of its power of ten."""

    offset: int
    type: str
    scale: str | None = None


@dataclass(frozen=True, slots=True)
class Repeat:
    """A group of points that stands once for each input; its scale factors are the block's."""

    offset: int
    size: int
    count: str  # the block's point that says how many there are
    points: dict[str, Point]  # offsets within the group


@dataclass(frozen=True, slots=True)
class Model:
    """One model: how long its block is at least (header not counted), its points, and what repeats in it."""

    title: str
    length: int
    points: dict[str, Point] = field(default_factory=dict)
    repeat: Repeat | None = None


_SF = "int16"  # a signed power of ten

_INVERTER = {
    "PhVphA": Point(10, "uint16", "V_SF"), "PhVphB": Point(11, "uint16", "V_SF"), "PhVphC": Point(12, "uint16", "V_SF"),
    "V_SF": Point(13, _SF),
    "W": Point(14, "int16", "W_SF"), "W_SF": Point(15, _SF),
    "Hz": Point(16, "uint16", "Hz_SF"), "Hz_SF": Point(17, _SF),
    "WH": Point(24, "acc32", "WH_SF"), "WH_SF": Point(26, _SF),
    "DCA": Point(27, "uint16", "DCA_SF"), "DCA_SF": Point(28, _SF),
    "DCV": Point(29, "uint16", "DCV_SF"), "DCV_SF": Point(30, _SF),
    "DCW": Point(31, "int16", "DCW_SF"), "DCW_SF": Point(32, _SF),
    "St": Point(38, "uint16"),
}  # fmt: skip
_INVERTER_FLOAT = {
    "PhVphA": Point(16, "float32"), "PhVphB": Point(18, "float32"), "PhVphC": Point(20, "float32"),
    "W": Point(22, "float32"), "Hz": Point(24, "float32"), "WH": Point(32, "float32"),
    "DCA": Point(34, "float32"), "DCV": Point(36, "float32"), "DCW": Point(38, "float32"),
    "St": Point(48, "uint16"),
}  # fmt: skip
_INPUTS = {"DCA_SF": Point(2, _SF), "DCV_SF": Point(3, _SF), "DCW_SF": Point(4, _SF), "N": Point(8, "uint16")}
_INPUT = Repeat(
    10, 20, "N",
    {
        "DCA": Point(9, "uint16", "DCA_SF"), "DCV": Point(10, "uint16", "DCV_SF"), "DCW": Point(11, "uint16", "DCW_SF"),
    },
)  # fmt: skip
_METER = {
    "PhV": Point(7, "int16", "V_SF"), "V_SF": Point(15, _SF),
    "Hz": Point(16, "int16", "Hz_SF"), "Hz_SF": Point(17, _SF),
    "W": Point(18, "int16", "W_SF"), "W_SF": Point(22, _SF),
    "TotWhExp": Point(38, "acc32", "TotWh_SF"), "TotWhImp": Point(46, "acc32", "TotWh_SF"), "TotWh_SF": Point(54, _SF),
}  # fmt: skip
_METER_FLOAT = {
    "PhV": Point(10, "float32"), "Hz": Point(26, "float32"), "W": Point(28, "float32"),
    "TotWhExp": Point(60, "float32"), "TotWhImp": Point(68, "float32"),
}  # fmt: skip
_DER_AC = {
    "InvSt": Point(4, "uint16"),
    "W": Point(10, "int16", "W_SF"), "LNV": Point(16, "uint16", "V_SF"), "Hz": Point(17, "uint32", "Hz_SF"),
    "TotWhInj": Point(19, "uint64", "TotWh_SF"),
    "V_SF": Point(114, _SF), "Hz_SF": Point(115, _SF), "W_SF": Point(116, _SF), "TotWh_SF": Point(120, _SF),
}  # fmt: skip
_PORTS = {"NPrt": Point(4, "uint16"), "DCA_SF": Point(15, _SF), "DCV_SF": Point(16, _SF), "DCW_SF": Point(17, _SF)}
_PORT = Repeat(
    20, 25, "NPrt",
    {
        "PrtTyp": Point(0, "uint16"),
        "DCA": Point(10, "int16", "DCA_SF"), "DCV": Point(11, "uint16", "DCV_SF"), "DCW": Point(12, "int16", "DCW_SF"),
    },
)  # fmt: skip

MODELS: dict[int, Model] = {
    1: Model("common", 65),  # 66 with the pad that older devices leave out
    101: Model("single-phase inverter", 50, _INVERTER),
    102: Model("split-phase inverter", 50, _INVERTER),
    103: Model("three-phase inverter", 50, _INVERTER),
    111: Model("single-phase inverter, float", 60, _INVERTER_FLOAT),
    112: Model("split-phase inverter, float", 60, _INVERTER_FLOAT),
    113: Model("three-phase inverter, float", 60, _INVERTER_FLOAT),
    160: Model("multiple MPPT", 8, _INPUTS, _INPUT),
    201: Model("single-phase meter", 105, _METER),
    202: Model("split-phase meter", 105, _METER),
    203: Model("wye-connected meter", 105, _METER),
    204: Model("delta-connected meter", 105, _METER),
    211: Model("single-phase meter, float", 124, _METER_FLOAT),
    212: Model("split-phase meter, float", 124, _METER_FLOAT),
    213: Model("wye-connected meter, float", 124, _METER_FLOAT),
    214: Model("delta-connected meter, float", 124, _METER_FLOAT),
    701: Model("DER AC measurement", 121, _DER_AC),  # 153 with the alarm text at its end
    714: Model("DER DC measurement", 18, _PORTS, _PORT),
}  # fmt: skip


def length_fault(model: int, length: int) -> str | None:
    """What is wrong with the length of a block of a model that we know; None when nothing is."""
    known = MODELS[model]
    if length < known.length:
        return f"has a length of {length}, expected {known.length} or more"
    if known.repeat is not None and (length == known.length or (length - known.length) % known.repeat.size):
        return f"has a length of {length}, expected {known.length} and {known.repeat.size} for each input"
    return None


def inputs_in(model: int, length: int) -> int:
    """How many times the repeating group stands in a block: by its length, which is what devices keep to."""
    repeat = MODELS[model].repeat
    return (length - MODELS[model].length) // repeat.size if repeat is not None else 0


def needed_spans(model: int, length: int) -> list[Read]:
    """Offsets and counts of the header and all points that we know; none when there is nothing to read."""
    if model not in MODELS or length_fault(model, length) is not None:
        return []
    known = MODELS[model]
    spans = [(point.offset, width(point.type)) for point in known.points.values()]
    if known.repeat is not None:
        starts = [known.repeat.offset + i * known.repeat.size for i in range(inputs_in(model, length))]
        spans += [(at + p.offset, width(p.type)) for at in starts for p in known.repeat.points.values()]
    return [(0, HEADER), *spans] if spans else []
