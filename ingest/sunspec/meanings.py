"""What the points of the SunSpec models mean to us: quantity, unit, direction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ingest.quantities import Reads

Flow = Literal["export", "import"]
PHOTOVOLTAIC = 0.0  # PrtTyp of a port of model 714


@dataclass(frozen=True, slots=True)
class Meaning:
    """A quantity and the points it is read from: one, or several of which the mean is taken."""

    quantity: str
    unit: str
    points: tuple[str, ...]
    reads: Reads = "mean"
    sign: int = 1
    one_way: bool = False  # only what flows in this direction counts; the other is zero
    shift: int = 0


_PHASES = ("PhVphA", "PhVphB", "PhVphC")
_DER_AC = (
    Meaning("ac_power", "W", ("W",)),
    Meaning("ac_energy", "Wh", ("TotWhInj",), "counter"),
    Meaning("ac_voltage", "V", ("LNV",)),
    Meaning("ac_frequency", "Hz", ("Hz",)),
    Meaning("status", "1", ("InvSt",), shift=1),  # states of models 101 to 113, which count them from one
)

# Families of models in order of preference: where a device offers the same by several, the first is read.
INVERTERS = ((101, 102, 103), (111, 112, 113), (701,))
METERS = ((201, 202, 203, 204), (211, 212, 213, 214))
INPUTS = ((160,), (714,))


def of_inverter(model: int) -> tuple[Meaning, ...]:
    """What the inverter's own points mean."""
    if model == 701:
        return _DER_AC
    return (
        Meaning("ac_power", "W", ("W",)),
        Meaning("ac_energy", "Wh", ("WH",), "counter"),
        Meaning("ac_voltage", "V", _PHASES[: model % 10]),  # 101 and 111 have one phase, 103 and 113 three
        Meaning("ac_frequency", "Hz", ("Hz",)),
        Meaning("status", "1", ("St",)),
    )


def of_input() -> tuple[Meaning, ...]:
    """What the points of a direct-current input mean."""
    return (
        Meaning("dc_voltage", "V", ("DCV",)),
        Meaning("dc_current", "A", ("DCA",)),
        Meaning("dc_power", "W", ("DCW",)),
    )


def of_meter(generation: Flow | None, positive_power: Flow | None) -> tuple[Meaning, ...]:
    """What a meter's points mean.

    The models do not say which flow is positive power; where nobody says it either, the power is not taken.
    """
    always = (Meaning("ac_voltage", "V", ("PhV",)), Meaning("ac_frequency", "Hz", ("Hz",)))
    if generation is not None:
        register = "TotWhExp" if generation == "export" else "TotWhImp"
        energy = (Meaning("ac_energy", "Wh", (register,), "counter"),)
        sign = 1 if positive_power == generation else -1
        return always + energy + ((Meaning("ac_power", "W", ("W",), sign=sign),) if positive_power else ())
    energies = (
        Meaning("import_energy", "Wh", ("TotWhImp",), "counter"),
        Meaning("export_energy", "Wh", ("TotWhExp",), "counter"),
    )
    if positive_power is None:
        return always + energies
    inward = 1 if positive_power == "import" else -1
    return (
        *always,
        *energies,
        Meaning("import_power", "W", ("W",), sign=inward, one_way=True),
        Meaning("export_power", "W", ("W",), sign=-inward, one_way=True),
    )
