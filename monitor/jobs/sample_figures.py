"""Figures about one file's readings: where they lie in time, and the energy of each local day."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo

import numpy as np
import numpy.typing as npt

from ingest.counters import interval_energy
from ingest.quantities import UNITS
from ingest.readings import Channel, Seconds, Table, Values
from ingest.timeline import to_local

_DAY_S = 86_400
_EPOCH = date(1970, 1, 1)
_ENERGETIC = ("power", "energy")


@dataclass(frozen=True, slots=True)
class Span:
    """Where readings lie: the first interval's start, the last one's end, and the steps between them [s]."""

    first: int
    last: int
    times: int
    step_s: int | None  # the commonest
    regular: int  # steps of that length
    gaps: int
    longest_gap_s: int


@dataclass(frozen=True, slots=True)
class DayEnergy:
    """Energy of one channel by local day [kWh]; `unplaced_kwh` was counted over gaps that reach over midnight."""

    channel: Channel
    kwh: dict[date, float]
    unplaced_kwh: float = 0.0

    @property
    def total_kwh(self) -> float:
        """All of it."""
        return sum(self.kwh.values()) + self.unplaced_kwh


def span_of(tables: Sequence[Table], *, interval_s: int) -> Span | None:
    """The span of all tables; None when there is no reading."""
    if not tables:
        return None
    times = np.unique(np.concatenate([table.starts for table in tables]))
    # One file may stamp its channels differently by a shift: steps are those within a table.
    steps = np.concatenate([np.diff(table.starts) for table in tables])
    lengths, counts = np.unique(steps, return_counts=True)
    first, last = int(times[0]), int(times[-1]) + interval_s
    if not lengths.size:
        return Span(first, last, times.size, None, 0, 0, 0)
    common = int(lengths[np.argmax(counts)])
    longer = lengths > common
    return Span(
        first, last, times.size, common, int(counts.max()), int(counts[longer].sum()),
        int(lengths.max()) if longer.any() else 0,
    )  # fmt: skip


def day_energies(tables: Sequence[Table], zone: tzinfo, *, interval_s: int) -> tuple[DayEnergy, ...]:
    """The energy of every channel of power or energy, in the order of the file."""
    return tuple(
        day_energy(table.starts, channel, values, zone, interval_s=interval_s)
        for table in tables
        for channel, values in table.columns.items()
        if UNITS[channel.unit].dimension in _ENERGETIC
    )


def day_energy(starts: Seconds, channel: Channel, values: Values, zone: tzinfo, *, interval_s: int) -> DayEnergy:
    """Means are integrated, a counter's steps stand on the day of the interval at whose end it was read."""
    days = local_days(starts, zone)
    if channel.reads != "counter":
        per_row = values * channel.factor * (interval_s / 3.6e6 if channel.reads == "mean" else 1.0)
        return DayEnergy(channel, _by_day(days, per_row))
    energy, span_s = interval_energy(starts, values, interval_s=interval_s)
    energy = energy * channel.factor
    known = ~np.isnan(energy)
    before = np.where(known, starts - np.nan_to_num(span_s).astype(np.int64), starts)
    across = known & (span_s > 2 * interval_s) & (local_days(before + interval_s, zone) < days)
    return DayEnergy(channel, _by_day(days, np.where(across, np.nan, energy)), float(energy[across].sum()))


def local_days(times: Seconds, zone: tzinfo) -> npt.NDArray[np.int64]:
    """Number of the local day since 1970-01-01."""
    return np.asarray(to_local(times, zone) // _DAY_S)


def day_of(number: int) -> date:
    """The day of a number."""
    return _EPOCH + timedelta(days=number)


def channels(tables: Sequence[Table]) -> Iterator[tuple[Channel, Seconds, Values]]:
    """Every channel with its times and values, without the gaps."""
    for table in tables:
        for channel, values in table.columns.items():
            known = ~np.isnan(values)
            yield channel, table.starts[known], values[known]


def _by_day(days: npt.NDArray[np.int64], energy: Values) -> dict[date, float]:
    known = ~np.isnan(energy)
    numbers, place = np.unique(days[known], return_inverse=True)
    sums = np.bincount(place, weights=energy[known], minlength=numbers.size)
    return {day_of(int(n)): float(kwh) for n, kwh in zip(numbers, sums, strict=True)}
