"""Readings of a site as powers on the comparison grid, in the units used inside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ingest.counters import interval_energy
from ingest.readings import Channel, Seconds, Table, Values
from monitor.config.models import Site
from monitor.model.grid import STEP_S, spread

# A counter's step over more than this many of its own intervals says nothing about when the energy came.
_MAX_SPANS = 2.5
WEATHER = (
    "irradiance_poa", "irradiance_ghi", "irradiance_dni", "irradiance_dhi", "temperature_air", "wind_speed",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CounterStep:
    """What a register counted over a gap in its readings [kWh], and where it stood before [kWh]."""

    subject: str
    start: int
    end: int
    energy_kwh: float
    before_kwh: float


@dataclass(frozen=True, slots=True)
class Measured:
    """Readings of a site on a grid of T intervals.

    `power_w` of `string:ID` (DC), `inverter:ID` (AC) and `meter:ID`: mean over the covered part of an interval, NaN
    where nothing is covered. `covered` is the covered share. `counted_w` is the mean power that counters tell, a gap's
    energy spread over the gap. `weather` holds the site's sensors. `heard` tells per source which share of an interval
    had any reading.
    """

    starts: Seconds
    power_w: dict[str, Values]
    covered: dict[str, Values]
    counted_w: dict[str, Values]
    weather: dict[str, Values]
    heard: dict[str, Values]
    steps: tuple[CounterStep, ...]


def measure(site: Site, tables: Mapping[str, Table], starts: Seconds) -> Measured:
    """Bring a site's stored tables (by source id) onto a grid.

    Parameters
    ----------
    site : Site
        For the sources' intervals and for what belongs together.
    tables : mapping of source id to Table
        Recorded readings; a few intervals more than the grid on both sides do no harm.
    starts : array of shape (T,)
        Grid interval starts [UTC epoch seconds].
    """
    gathered = _Gathered(starts)
    for source in site.source:
        table = tables.get(source.id)
        interval = source.interval_minutes * 60
        if table is None or table.starts.size == 0:
            gathered.heard[source.id] = np.zeros(starts.shape)
            continue
        gathered.take(source.id, table, interval)
    gathered.complete(site)
    return Measured(
        starts, gathered.power, gathered.covered, gathered.counted, gathered.weather, gathered.heard,
        tuple(gathered.steps),
    )  # fmt: skip


class _Gathered:
    """Builds a Measured source by source."""

    def __init__(self, starts: Seconds) -> None:
        self.starts = starts
        self.power: dict[str, Values] = {}
        self.covered: dict[str, Values] = {}
        self.counted: dict[str, Values] = {}
        self.weather: dict[str, Values] = {}
        self.heard: dict[str, Values] = {}
        self.steps: list[CounterStep] = []
        self._modules: dict[str, dict[str, tuple[Values, Values]]] = {}

    def take(self, source: str, table: Table, interval: int) -> None:
        """Take all channels of one source."""
        heard = np.zeros(table.starts.shape, dtype=bool)
        by_subject: dict[str, dict[str, Values]] = {}
        for channel, values in table.columns.items():
            heard |= ~np.isnan(values)
            if channel.quantity in WEATHER and channel.subject == "site":
                mean, _ = self._spread(table.starts, values * channel.factor, interval)
                self._fill(self.weather, channel.quantity, mean)
            elif channel.reads == "mean":
                by_subject.setdefault(channel.subject, {})[channel.quantity] = values * channel.factor
        for subject, columns in by_subject.items():
            self._power(subject, columns, table.starts, interval)
        for channel, values in table.columns.items():  # after the powers, which tell the same more finely
            if channel.reads != "mean":
                self._count(channel, table.starts, values * channel.factor, interval)
        self.heard[source] = self._spread(table.starts, np.where(heard, 1.0, np.nan), interval)[1]

    def _spread(self, starts: Seconds, values: Values, interval: int) -> tuple[Values, Values]:
        return spread(starts, starts + interval, values, onto=self.starts)

    def _power(self, subject: str, columns: dict[str, Values], starts: Seconds, interval: int) -> None:
        if subject.startswith(("string:", "module:")):
            watts = columns.get("dc_power")
            if watts is None and {"dc_voltage", "dc_current"} <= columns.keys():
                watts = columns["dc_voltage"] * columns["dc_current"]
        elif subject.startswith(("inverter:", "meter:")):
            watts = columns.get("ac_power")
        else:
            watts = None
        if watts is None:
            return
        mean, covered = self._spread(starts, watts, interval)
        if subject.startswith("module:"):
            string = "string:" + subject.removeprefix("module:").rpartition("/")[0]
            self._modules.setdefault(string, {})[subject] = (mean, covered)
        else:
            self._put(subject, mean, covered)

    def _put(self, subject: str, mean: Values, covered: Values) -> None:
        """Keep a power; where two sources tell the same, the first one heard fills first."""
        if subject not in self.power:
            self.power[subject], self.covered[subject] = mean, covered
            return
        gap = np.isnan(self.power[subject])
        self.power[subject] = np.where(gap, mean, self.power[subject])
        self.covered[subject] = np.where(gap, covered, self.covered[subject])

    def _count(self, channel: Channel, starts: Seconds, values: Values, interval: int) -> None:
        known = ~np.isnan(values)
        starts, values = starts[known], values[known]
        if starts.size == 0 or not channel.quantity.startswith("ac_energy"):
            return
        if channel.reads == "interval":
            begins, ends, energy = starts, starts + interval, values
        else:
            begins, ends, energy = counter_energy(starts, values, interval)
            self.steps += _steps(channel.subject, starts + interval, values, _MAX_SPANS * interval)
        watts = energy * 3.6e6 / (ends - begins)
        self._fill(self.counted, channel.subject, spread(begins, ends, watts, onto=self.starts)[0])
        fine = np.where((ends - begins) <= _MAX_SPANS * interval, watts, np.nan)
        mean, covered = spread(begins, ends, fine, onto=self.starts)
        self._put(channel.subject, mean, covered)

    @staticmethod
    def _fill(into: dict[str, Values], key: str, values: Values) -> None:
        into[key] = np.where(np.isnan(into[key]), values, into[key]) if key in into else values

    def complete(self, site: Site) -> None:
        """Strings whose modules are all measured get the sum of their modules."""
        for string in site.string:
            parts = self._modules.get(f"string:{string.id}", {})
            if len(parts) == string.modules:
                self._put(
                    f"string:{string.id}",
                    np.sum([p[0] for p in parts.values()], axis=0),
                    np.min([p[1] for p in parts.values()], axis=0),
                )


def _steps(subject: str, ends: Seconds, register: Values, longest_s: float) -> list[CounterStep]:
    """Gaps over which the register did not fall (a fall is a reset or a roll-over, and tells nothing here)."""
    at = np.flatnonzero((np.diff(ends) > longest_s) & (np.diff(register) >= 0.0))
    return [
        CounterStep(subject, int(ends[i]), int(ends[i + 1]), float(register[i + 1] - register[i]), float(register[i]))
        for i in at
    ]


def counter_energy(starts: Seconds, register: Values, interval: int) -> tuple[Seconds, Seconds, Values]:
    """Begin, end and energy of the steps of a register whose values stand at the intervals' ends."""
    energy, span = interval_energy(starts, register, interval_s=interval)
    known = ~np.isnan(energy)
    ends = starts[known] + interval
    return ends - span[known].astype(np.int64), ends, energy[known]


def day_energy_kwh(power_w: Values) -> float | None:
    """Energy of the known intervals of a grid [kWh]; None where nothing is known."""
    if np.isnan(power_w).all():
        return None
    return float(np.nansum(power_w) * STEP_S / 3.6e6)
