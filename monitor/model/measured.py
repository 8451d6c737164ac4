"""Readings of a site as powers on the comparison grid, in the units used inside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ingest.counters import interval_energy
from ingest.quality import Mark, Marks
from ingest.readings import Channel, Seconds, Table, Values
from ingest.sources import Source, WeatherServiceSource
from monitor.config.models import Site
from monitor.model.axis import Axis
from monitor.model.grid import STEP_S, spread
from monitor.model.marking import SiteRatings, believed, mark_source, ratings_of
from monitor.model.reconcile import ChannelFault, Reconciler
from monitor.model.weather_series import Series

# A counter's step over more than this many of its own intervals says nothing about when the energy came.
_MAX_SPANS = 2.5
_LASTS = 3
WEATHER = (
    "irradiance_poa", "irradiance_ghi", "irradiance_dni", "irradiance_dhi", "temperature_air", "wind_speed",
)  # fmt: skip
# Energies that cross the meter at the house; as powers they are among the recorded states.
_FLOWS = frozenset({"import_energy", "export_energy"})
# Channels that a subject's power rests on.
_POWER = ("dc_voltage", "dc_current", "dc_power", "ac_power", "ac_energy")


@dataclass(frozen=True, slots=True)
class CounterStep:
    """What a register counted over a gap in its readings [kWh], and where it stood before [kWh]."""

    subject: str
    start: int
    end: int
    energy_kwh: float
    before_kwh: float


@dataclass(frozen=True, slots=True)
class CounterFall:
    """A register that stood lower than before: where it stood on both sides [kWh], and when that was sure."""

    subject: str
    start: int
    end: int
    before_kwh: float
    after_kwh: float


@dataclass(frozen=True, slots=True)
class Recorded:
    """A channel as it was recorded, in the units used inside; NaN is a gap, or a reading that is not believed."""

    axis: Axis
    values: Values
    _gridded: list[Values] = field(default_factory=list, init=False, repr=False, compare=False)  # once asked for

    def between(self, begin: int, end: int) -> tuple[Seconds, Seconds, Values]:
        """Begins, ends and values of the known readings that begin within [begin, end) UTC epoch seconds."""
        known = ~np.isnan(self.values)
        begins, ends = self.axis.bounds(known, "mean")
        inside = (begins >= begin) & (begins < end)
        return begins[inside], ends[inside], self.values[known][inside]

    def on_grid(self) -> Values:
        """Means on the comparison grid, NaN where nothing is covered; not to be written to."""
        if not self._gridded:
            mean = self.axis.spread(self.values)[0]
            mean.setflags(write=False)
            self._gridded.append(mean)
        return self._gridded[0]


@dataclass(frozen=True, slots=True)
class Measured:
    """Readings of a site on a grid of T intervals.

    `power_w` of `string:ID` (DC), `inverter:ID` (AC) and `meter:ID`: mean over the covered part of an interval, NaN
    where nothing is covered. `covered` is the covered share. `counted_w` is the mean power that counters tell, a gap's
    energy spread over the gap. `weather` holds the site's sensors, `series` the same as they came, in the order of
    the sources. `heard` tells per source which share of an interval had any reading, believed or not; weather services
    are no sign of a home and left out. What is marked is a gap in
    all of them but `heard`: `marked` tells per subject and mark which share of an interval its power lost by that,
    `marks` has the readings' marks by source, `faults` the channels that contradict others for a whole day.
    `recorded` has every channel of a mean state but the weather's by subject and quantity, as it came, `modules_w` the
    power of each `module:STRING/NN` (DC) that is measured alone.
    """

    starts: Seconds
    power_w: dict[str, Values]
    covered: dict[str, Values]
    counted_w: dict[str, Values]
    weather: dict[str, Values]
    series: dict[str, list[Series]]
    heard: dict[str, Values]
    steps: tuple[CounterStep, ...]
    marked: Mapping[str, Mapping[Mark, Values]]
    marks: Mapping[str, Marks]
    faults: tuple[ChannelFault, ...]
    recorded: Mapping[tuple[str, str], Recorded]
    falls: tuple[CounterFall, ...] = ()  # registers of energy made
    modules_w: Mapping[str, Values] = field(default_factory=dict)
    flows_w: Mapping[tuple[str, str], Values] = field(
        default_factory=dict
    )  # what energies of import and export tell, by subject and quantity; NaN over gaps


def measure(site: Site, tables: Mapping[str, Table], starts: Seconds) -> Measured:
    """Bring a site's stored tables (by source id) onto a grid.

    Parameters
    ----------
    site : Site
        For the sources' intervals, for nameplates, and for what belongs together.
    tables : mapping of source id to Table
        Recorded readings; a few intervals more than the grid on both sides do no harm.
    starts : array of shape (T,)
        Grid interval starts [UTC epoch seconds], from one local midnight to another.
    """
    gathered = _Gathered(site, starts)
    for source in site.source:
        table = tables.get(source.id)
        if table is None or table.starts.size == 0:
            gathered.heard[source.id] = np.zeros(starts.shape)
        else:
            gathered.take(source, table)
        if isinstance(source, WeatherServiceSource):
            del gathered.heard[source.id]
    faults = gathered.complete()
    return Measured(
        starts, gathered.power, gathered.covered, gathered.counted, gathered.weather, gathered.series, gathered.heard,
        tuple(gathered.steps), gathered.marked, gathered.marks, tuple(faults),
        gathered.recorded, tuple(gathered.falls), gathered.modules_w(), gathered.flows,
    )  # fmt: skip


class _Gathered:
    """Builds a Measured source by source."""

    def __init__(self, site: Site, starts: Seconds) -> None:
        self.site, self.starts = site, starts
        self.ratings: SiteRatings = ratings_of(site)
        self.power: dict[str, Values] = {}
        self.covered: dict[str, Values] = {}
        self.counted: dict[str, Values] = {}
        self.weather: dict[str, Values] = {}
        self.series: dict[str, list[Series]] = {}
        self.heard: dict[str, Values] = {}
        self.steps: list[CounterStep] = []
        self.falls: list[CounterFall] = []
        self.flows: dict[tuple[str, str], Values] = {}
        self.marked: dict[str, dict[Mark, Values]] = {}
        self.marks: dict[str, Marks] = {}
        self.recorded: dict[tuple[str, str], Recorded] = {}
        self._fine: dict[str, tuple[Values, Values]] = {}  # what counters tell of powers
        self._volts: dict[str, tuple[Axis, Values]] = {}
        self._modules: dict[str, dict[str, tuple[Values, Values]]] = {}

    def take(self, source: Source, table: Table) -> None:
        """Take all channels of one source."""
        axis = Axis(source, table.starts, self.site.zone, onto=self.starts)
        marks = mark_source(self.ratings, table, interval_s=axis.declared_s, local=axis.local)
        if marks.flags:
            self.marks[source.id] = marks
            self._note(axis, table, marks)
        by_subject: dict[str, dict[str, Values]] = {}
        for channel, values in believed(table, marks).items():
            if channel.quantity in WEATHER and channel.subject == "site":
                self._fill(self.weather, channel.quantity, axis.spread(values)[0])
                known = ~np.isnan(values)
                part = Series(*axis.bounds(known, "mean"), values[known])
                self.series.setdefault(channel.quantity, []).append(part)
            elif channel.reads == "mean":
                by_subject.setdefault(channel.subject, {})[channel.quantity] = values
                self.recorded.setdefault((channel.subject, channel.quantity), Recorded(axis, values))
            else:
                self._count(channel, axis, values)
        for subject, columns in by_subject.items():
            self._power(subject, columns, axis)
        heard = np.zeros(table.starts.shape, dtype=bool)
        for values in table.columns.values():
            heard |= ~np.isnan(values)
        self.heard[source.id] = axis.spread(np.where(heard, 1.0, np.nan))[1]

    def _note(self, axis: Axis, table: Table, marks: Marks) -> None:
        """Put down which share of each interval a subject's power lost to marks."""
        for channel, flags in marks.flags.items():
            if channel.quantity not in _POWER:
                continue
            known = ~np.isnan(table.columns[channel])
            begins, ends = axis.bounds(known, channel.reads)
            for mark in (m for m in Mark if (flags & m).any()):
                mean, covered = spread(begins, ends, (flags[known] & mark > 0).astype(np.float64), onto=self.starts)
                self._lose(channel.subject, mark, np.nan_to_num(mean) * covered)

    def _lose(self, subject: str, mark: Mark, share: Values) -> None:
        kinds = self.marked.setdefault(subject, {})
        kinds[mark] = np.maximum(kinds[mark], share) if mark in kinds else share

    def _power(self, subject: str, columns: dict[str, Values], axis: Axis) -> None:
        if subject.startswith(("string:", "module:")):
            watts = columns.get("dc_power")
            if "dc_voltage" in columns:
                self._volts[subject] = (axis, columns["dc_voltage"])
                if watts is None and "dc_current" in columns:
                    watts = columns["dc_voltage"] * columns["dc_current"]
        elif subject.startswith(("inverter:", "meter:")):
            watts = columns.get("ac_power")
        else:
            watts = None
        if watts is None:
            return
        mean, covered = axis.spread(watts)
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

    def _count(self, channel: Channel, axis: Axis, values: Values) -> None:
        known = ~np.isnan(values)
        flow = channel.quantity in _FLOWS
        if not known.any() or not (flow or channel.quantity == "ac_energy"):
            return
        begins, ends = axis.bounds(known, channel.reads)
        values, longest = values[known], _MAX_SPANS * np.maximum(ends - begins, axis.declared_s)
        if channel.reads == "interval":
            energy = values
        else:
            if not flow:
                self.steps += _steps(channel.subject, ends, values, longest[1:])
                self.falls += _falls(channel.subject, ends, values)
            energy, span = interval_energy(ends, values, interval_s=axis.declared_s)
            told = ~np.isnan(energy)
            ends, energy, longest = ends[told], energy[told], longest[told]
            begins = ends - span[told].astype(np.int64)
        watts = energy * 3.6e6 / (ends - begins)
        if flow:
            told = ends - begins <= longest
            mean = spread(begins[told], ends[told], watts[told], onto=self.starts)[0]
            self.flows.setdefault((channel.subject, channel.quantity), mean)
            return
        self._fill(self.counted, channel.subject, spread(begins, ends, watts, onto=self.starts)[0])
        mean, covered = spread(begins, ends, np.where(ends - begins <= longest, watts, np.nan), onto=self.starts)
        if channel.subject in self._fine:
            gap = np.isnan(self._fine[channel.subject][0])
            mean, covered = (
                np.where(gap, new, old) for new, old in zip((mean, covered), self._fine[channel.subject], strict=True)
            )
        self._fine[channel.subject] = (mean, covered)

    @staticmethod
    def _fill(into: dict[str, Values], key: str, values: Values) -> None:
        into[key] = np.where(np.isnan(into[key]), values, into[key]) if key in into else values

    def complete(self) -> list[ChannelFault]:
        """Strings from their modules; channels that contradict each other; what counters tell where powers do not."""
        for string in self.site.string:
            parts = self._modules.get(f"string:{string.id}", {})
            if len(parts) == string.modules:
                self._put(
                    f"string:{string.id}",
                    np.sum([p[0] for p in parts.values()], axis=0),
                    np.min([p[1] for p in parts.values()], axis=0),
                )
        counters = {subject: mean for subject, (mean, _) in self._fine.items()}
        faults = Reconciler(self.site, self.starts, self.power, counters, self._grid_volts).faults()
        for fault in faults:
            self._disbelieve(fault)
        for subject, (mean, covered) in self._fine.items():  # after the powers, which tell the same more finely
            self._put(subject, mean, covered)
        return faults

    def modules_w(self) -> dict[str, Values]:
        """Power of every module that is measured alone."""
        return {module: mean for parts in self._modules.values() for module, (mean, _) in parts.items()}

    def _grid_volts(self, subject: str) -> Values | None:
        if subject not in self._volts:
            return None
        axis, volts = self._volts[subject]
        return axis.spread(volts)[0]

    def _disbelieve(self, fault: ChannelFault) -> None:
        """A channel that contradicts the others says nothing on that day."""
        inside = (self.starts >= fault.start) & (self.starts < fault.end)
        self._lose(fault.subject, fault.mark, inside.astype(np.float64))
        if fault.channel == "ac_energy":
            mean, covered = self._fine[fault.subject]
            self._fine[fault.subject] = (np.where(inside, np.nan, mean), np.where(inside, 0.0, covered))
            self.counted[fault.subject] = np.where(inside, np.nan, self.counted[fault.subject])
        else:
            self.power[fault.subject] = np.where(inside, np.nan, self.power[fault.subject])
            self.covered[fault.subject] = np.where(inside, 0.0, self.covered[fault.subject])


def _steps(subject: str, ends: Seconds, register: Values, longest_s: Values) -> list[CounterStep]:
    """Gaps over which the register did not fall (a fall is a reset or a roll-over, and tells nothing here)."""
    at = np.flatnonzero((np.diff(ends) > longest_s) & (np.diff(register) >= 0.0))
    return [
        CounterStep(subject, int(ends[i]), int(ends[i + 1]), float(register[i + 1] - register[i]), float(register[i]))
        for i in at
    ]


def _falls(subject: str, ends: Seconds, register: Values) -> list[CounterFall]:
    """Falls that last for three readings, told with the third: a single zero is a reading that failed."""
    found = []
    for i in np.flatnonzero(np.diff(register) < 0.0).tolist():
        after = register[i + 1 : i + 1 + _LASTS]
        if after.size == _LASTS and after.max() < register[i]:
            found.append(CounterFall(subject, int(ends[i]), int(ends[i + _LASTS]), float(register[i]), float(after[0])))
    return found


def day_energy_kwh(power_w: Values) -> float | None:
    """Energy of the known intervals of a grid [kWh]; None where nothing is known."""
    if np.isnan(power_w).all():
        return None
    return float(np.nansum(power_w) * STEP_S / 3.6e6)
