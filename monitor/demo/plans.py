"""What a demo home is: its roof, its wiring, what stands before it, and what it exports."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

from monitor.demo.devices import InverterMake
from monitor.demo.manners import Dialect
from monitor.demo.roof import Mounting
from monitor.demo.shade import Obstruction
from monitor.demo.strings import Hidden, Module
from monitor.demo.weather import Place

Shape = Literal["wide", "long", "registers"]


@dataclass(frozen=True, slots=True)
class Roof:
    """A roof plane as the papers have it, and how far the carpenter was off."""

    id: str
    tilt_deg: float
    azimuth_deg: float
    tilt_off_deg: float
    azimuth_off_deg: float
    obstructions: tuple[Obstruction, ...] = ()


@dataclass(frozen=True, slots=True)
class Wire:
    """A string, and the gains of the sensors that measure it."""

    id: str
    inverter: str
    roof: str
    modules: int
    electronic: bool
    module: Module
    hidden: Hidden
    current_gain: float
    voltage_gain: float

    @property
    def rated_w(self) -> float:
        """Nameplate power."""
        return self.modules * self.module.nameplate.pmp_w


@dataclass(frozen=True, slots=True)
class Converter:
    """An inverter, and the gain of its own energy measurement."""

    id: str
    make: InverterMake
    gain: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """A meter beside the inverter: of one inverter's generation, or of the grid connection."""

    id: str
    role: Literal["generation", "grid"]
    inverter: str | None
    gain: float


@dataclass(frozen=True, slots=True)
class Column:
    """One exported quantity. An energy with `resets` starts at zero on every local day."""

    name: str
    of: str
    quantity: str
    unit: str
    decimals: int
    reads: Literal["mean", "interval", "counter"] = "mean"
    starts_at: float = 0.0
    resets: bool = False
    step: float = 0.0  # readings come in multiples of this; 0: as many decimals as there are


@dataclass(frozen=True, slots=True)
class Export:
    """One source of a home: files of one layout. `layout` names a layout file that homes share."""

    id: str
    stem: str
    interval_minutes: int
    dialect: Dialect
    columns: tuple[Column, ...]
    shape: Shape = "wide"
    layout: str | None = None
    unit_id: int = 1  # these two for registers only
    address: int = 0


@dataclass(frozen=True, slots=True)
class Home:
    """A demo home."""

    id: str
    name: str
    place: Place
    stated: tuple[float, float]  # latitude and longitude as the site file has them
    commissioned: date
    roofs: tuple[Roof, ...]
    wires: tuple[Wire, ...]
    converters: tuple[Converter, ...]
    gauges: tuple[Gauge, ...]
    exports: tuple[Export, ...]
    mounting: Mounting
    tariff: tuple[float, float] | None  # import and export per kWh
    quoted_kwh: int | None
    awkward: str
    export_limit_w: float | None = None
    snow_patience: float = 1.0  # how much longer than elsewhere snow lies on its pitches

    def roof(self, key: str) -> Roof:
        """A roof plane by its id."""
        return next(r for r in self.roofs if r.id == key)

    def wired_to(self, inverter: str) -> Iterator[Wire]:
        """The strings of an inverter."""
        return (w for w in self.wires if w.inverter == inverter)
