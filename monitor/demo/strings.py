"""Modules by the single-diode equation, wired to strings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from pvlib import pvsystem
from scipy.ndimage import map_coordinates

from monitor.demo.chance import Floats
from monitor.demo.roof import PlaneLight
from monitor.demo.shade import Shade

ROOT_OF_LIGHT = np.linspace(0.0, np.sqrt(1500.0), 56)  # the tables are even in the square root of irradiance
CELL_C = np.arange(-30.0, 100.1, 5.0)
BYPASS_DROP = 1.03  # a bypassed part takes its share of the voltage and a diode's drop


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What a label and a site file say."""

    pmp_w: float
    vmp_v: float
    imp_a: float
    voc_v: float
    isc_a: float
    gamma_pct_per_k: float


@dataclass(frozen=True)
class Module:
    """A module type: De Soto's parameters at standard test conditions. Its nameplate follows from them."""

    cells: int
    isc_a: float
    voc_per_cell_v: float
    ideality: float
    series_share: float  # series resistance over Voc / Isc
    shunt_ohm: float

    @cached_property
    def nameplate(self) -> Nameplate:
        """The label: power sorted down to five watts, the rest as rounded as on a label."""
        at = self._solve(np.array([1000.0, 1000.0]), np.array([25.0, 45.0]))
        power = at["v_mp"] * at["i_mp"]
        label_w = 5.0 * np.floor(power[0] / 5.0)
        vmp = round(float(at["v_mp"][0]), 1)
        return Nameplate(
            pmp_w=float(label_w),
            vmp_v=vmp,
            imp_a=round(float(label_w / vmp), 2),
            voc_v=round(float(at["v_oc"][0]), 1),
            isc_a=round(float(at["i_sc"][0]), 2),
            gamma_pct_per_k=round(float((power[1] / power[0] - 1.0) / 20.0 * 100.0), 2),
        )

    def at(self, what: str, light_w_m2: Floats, cell_c: Floats) -> Floats:
        """`v_mp`, `i_mp` or `v_oc` of one module, looked up in a table of solved operating points."""
        row = np.sqrt(np.maximum(light_w_m2, 0.0)) / ROOT_OF_LIGHT[1]
        column = (cell_c - CELL_C[0]) / (CELL_C[1] - CELL_C[0])
        return np.asarray(map_coordinates(self._tables[what], [row, column], order=1, mode="nearest"))

    def limited_voltage(self, power_share: Floats) -> Floats:
        """Voltage over Vmp when a string is held at this share of its power, on the high-voltage side."""
        shares, voltages = self._limit_curve
        return np.interp(power_share, shares, voltages)

    @cached_property
    def _tables(self) -> dict[str, Floats]:
        light, cell = (a.ravel() for a in np.meshgrid(ROOT_OF_LIGHT**2, CELL_C, indexing="ij"))
        dark = light <= 0.0
        at = self._solve(np.where(dark, 1.0, light), cell)
        shape = len(ROOT_OF_LIGHT), len(CELL_C)
        return {k: np.where(dark, 0.0, at[k]).reshape(shape) for k in ("v_mp", "i_mp", "v_oc")}

    @cached_property
    def _limit_curve(self) -> tuple[Floats, Floats]:
        at = self._solve(np.array([800.0]), np.array([45.0]))
        voltage = np.linspace(float(at["v_oc"][0]), float(at["v_mp"][0]), 60)
        current = np.asarray(pvsystem.i_from_v(voltage, *self._parameters(np.array([800.0]), np.array([45.0]))))
        power = voltage * np.maximum(current, 0.0)
        return power / power[-1], voltage / voltage[-1]

    def _parameters(self, light_w_m2: Floats, cell_c: Floats) -> tuple[Floats, ...]:
        voc = self.voc_per_cell_v * self.cells
        series = self.series_share * voc / self.isc_a
        a_ref = self.ideality * self.cells * 0.0256926
        photo = self.isc_a * (1.0 + series / self.shunt_ohm)
        dark = (photo - voc / self.shunt_ohm) / np.expm1(voc / a_ref)
        solved = pvsystem.calcparams_desoto(
            light_w_m2, cell_c, alpha_sc=0.0005 * self.isc_a, a_ref=a_ref, I_L_ref=photo, I_o_ref=dark,
            R_sh_ref=self.shunt_ohm, R_s=series,
        )  # fmt: skip
        return tuple(np.asarray(p, dtype=float) for p in solved)

    def _solve(self, light_w_m2: Floats, cell_c: Floats) -> dict[str, Floats]:
        at = pvsystem.singlediode(*self._parameters(light_w_m2, cell_c))
        return {k: np.asarray(at[k], dtype=float) for k in ("v_mp", "i_mp", "v_oc", "i_sc")}


def draw_module(rng: np.random.Generator) -> Module:
    """A module type that nobody makes."""
    return Module(
        cells=int(rng.choice([54, 60, 66])),
        isc_a=float(rng.uniform(9.6, 13.9)),
        voc_per_cell_v=float(rng.uniform(0.680, 0.720)),
        ideality=float(rng.uniform(1.00, 1.09)),
        series_share=float(rng.uniform(0.045, 0.065)),
        shunt_ohm=float(rng.uniform(250.0, 700.0)),
    )


@dataclass(frozen=True, eq=False)
class StringState:
    """A string on its lit steps: at its operating point, and what its voltage is when nothing flows."""

    module: Module
    voltage: Floats
    current: Floats
    open_voltage: Floats
    module_power: Floats | None = None  # one row a module, where modules have their own power conversion

    @property
    def power(self) -> Floats:
        """DC power [W]."""
        return self.voltage * self.current


@dataclass(frozen=True, slots=True)
class Hidden:
    """How a string differs from its papers."""

    gain: float  # of the light that it turns into current
    tilt_off_deg: float
    azimuth_off_deg: float
    gamma_factor: float
    module_gains: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class Ailment:
    """What is wrong with a string, on its lit steps."""

    clean: float | Floats = 1.0  # share of the light that gets through the dirt
    bypassed: float | Floats = 0.0  # share of its substrings that the current runs past
    series_ohm: float | Floats = 0.0  # of a bad joint
    module_light: Mapping[int, Floats] = field(default_factory=dict)  # by number from 1: share of light still used
    module_part: Mapping[int, Floats] = field(default_factory=dict)  # by number from 1: share of substrings at work


SOUND = Ailment()


def wired_state(
    module: Module, hidden: Hidden, light: PlaneLight, shade: Shade, cell_c: Floats, ailment: Ailment = SOUND
) -> StringState:
    """A plain string: where part of it lies in shade, it runs past the shaded part or at the shaded part's current.

    A bad joint takes the voltage that its current drops across it: for small resistances the operating point moves
    only in the second order.
    """
    modules = len(hidden.module_gains)
    seen_c = 25.0 + hidden.gamma_factor * (cell_c - 25.0)
    gain = hidden.gain * _series_gain(hidden.module_gains)
    bright, shaded = gain * light.bright * ailment.clean, gain * light.shaded * ailment.clean
    volts, amps = module.at("v_mp", bright, seen_c), module.at("i_mp", bright, seen_c)
    low_volts, low_amps = module.at("v_mp", shaded, seen_c), module.at("i_mp", shaded, seen_c)
    past = np.maximum(1.0 - BYPASS_DROP * (shade.share + ailment.bypassed * (1.0 - shade.share)), 0.0)
    low_volts = low_volts * np.maximum(1.0 - BYPASS_DROP * ailment.bypassed, 0.0)
    slow = volts * past * amps < low_volts * low_amps
    current = np.where(slow, low_amps, amps)
    voltage = modules * np.where(slow, low_volts, volts * past)
    return StringState(
        module=module,
        voltage=np.maximum(voltage - ailment.series_ohm * current, 0.0),
        current=current,
        open_voltage=modules * module.at("v_oc", bright, seen_c) * (1.0 - ailment.bypassed),
    )


def electronic_state(
    module: Module, hidden: Hidden, light: PlaneLight, shade: Shade, cell_c: Floats, ailment: Ailment = SOUND
) -> StringState:
    """A string whose modules convert their power each for itself, the shade creeping over them one after the other."""
    seen_c = 25.0 + hidden.gamma_factor * (cell_c - 25.0)
    count = len(hidden.module_gains)
    powers = np.empty((count, len(cell_c)))
    for n, gain in enumerate(hidden.module_gains):
        covered = np.clip(shade.share * count - n, 0.0, 1.0)
        got = hidden.gain * gain * (light.bright + covered * (light.shaded - light.bright)) * ailment.clean
        got = got * ailment.module_light.get(n + 1, 1.0)
        powers[n] = 0.985 * module.at("v_mp", got, seen_c) * module.at("i_mp", got, seen_c)
        if n + 1 in ailment.module_part:
            powers[n] *= np.maximum(1.0 - BYPASS_DROP * (1.0 - ailment.module_part[n + 1]), 0.0)
    volts = np.where(light.bright > 0.0, 380.0, 0.0)
    total = powers.sum(axis=0)
    return StringState(module, volts, np.where(volts > 0.0, total / 380.0, 0.0), volts, powers)


def _series_gain(gains: tuple[float, ...]) -> float:
    """Modules in series: a little below the mean, for the weakest holds the current back."""
    return float(np.mean(gains) - 0.3 * np.std(gains))
