"""Marks of a table's readings: out of range, spikes, stuck values and dead channels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from ingest.intervals import interval_bounds
from ingest.quality.limits import Limits
from ingest.quality.marks import Flags, Mark, Marks
from ingest.quality.stuck import LEAST_RUN, Clock, Witness, stuck_rows, unlikely_runs
from ingest.readings import Channel, Mask, Seconds, Table, Values

_DAY = 86_400
_LEAST_DAY_ROWS = 12
_LEAST_DAY_S = 6 * 3600
_LIVELY = 3  # so many unlike channels do not stand still together by chance
_FAR = 3  # readings further apart than so many intervals do not follow one another
_TOLERANCE, _DISAGREES = 0.07, 0.15

_Block2 = npt.NDArray[np.float64]  # shape (C, N)


def mark_table(table: Table, limits: Mapping[Channel, Limits], *, interval_s: int, local: Seconds) -> Marks:
    """Mark the readings of a source that cannot be right; none is taken away.

    Parameters
    ----------
    table : Table
        Readings of one source, in the units as recorded; N rows.
    limits : mapping of Channel to Limits
        Channels without limits get no marks. Limits of `dc_power` of a subject with voltage and current are used for
        their product.
    interval_s : int
        Length of an interval as declared [s].
    local : array of shape (N,)
        What the local clock shows at `table.starts` [s since 1970-01-01 00:00 of that clock].

    Returns
    -------
    Marks
        A local day's marks depend on that day's readings alone, so that a night can be repeated.

    Notes
    -----
    Range and spike after the limits of IEC 61724-1 and -3 (see `limits_for`). Stuck: see `stuck_rows`; a logger that
    repeats whole rows is stuck in all its channels. Dead: not one change in a whole day, not at zero, while another
    channel of the source moved. A value of zero is never a dead channel here: it may be a dead string.
    """
    flags: dict[Channel, Flags] = {}
    counters = [c for c in table.columns if c.reads == "counter"]
    for reads in ("mean", "interval"):
        channels = [c for c in table.columns if c.reads == reads and c in limits]
        if channels:
            block = _Block(table, channels, limits, interval_s, local)
            frozen = block.mark()
            flags |= block.found()
            if reads == "mean" and frozen.any():
                for counter in counters:
                    _add(flags, counter, block.on_table(frozen) & ~np.isnan(table.columns[counter]), Mark.STUCK)
    return Marks(table.starts, flags)


def _add(flags: dict[Channel, Flags], channel: Channel, rows: Mask, mark: Mark) -> None:
    if rows.any():
        flags.setdefault(channel, np.zeros(rows.shape, np.uint8))[rows] |= np.uint8(mark)


class _Block:
    """Channels of a table that read alike, on the rows on which any of them has a value."""

    def __init__(
        self, table: Table, channels: list[Channel], limits: Mapping[Channel, Limits], interval_s: int, local: Seconds
    ) -> None:
        self.table, self.interval_s, self.local = table, interval_s, local
        columns = [table.columns[c] for c in channels]
        self.pairs = _pairs(channels, limits)
        columns += [columns[v] * columns[a] for v, a in self.pairs.values()]
        self.own = len(channels)
        self.channels = [*channels, *self.pairs]
        self.limits = [limits[c] for c in self.channels]
        values = np.array(columns)
        empty = np.isnan(values).all(axis=0)
        self.rows = None if not empty.any() else np.flatnonzero(~empty)
        self.values: _Block2 = values if self.rows is None else values[:, self.rows]
        starts, local = (table.starts, local) if self.rows is None else (table.starts[self.rows], local[self.rows])
        number = local // _DAY
        self.cuts = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
        day = np.zeros(starts.size, np.intp)
        day[self.cuts[1:]] = 1
        self.clock = Clock(starts, local, np.cumsum(day))
        if channels[0].reads == "interval" and starts.size:
            begins, ends = interval_bounds(starts, declared_s=interval_s, anchor=0.0, days=number)
            self.values = self.values * (3600.0 / (ends - begins))
        self.marks = np.zeros(self.values.shape, np.uint8)

    def mark(self) -> Mask:
        """Find all marks; returns the rows that the logger merely repeated."""
        frozen = np.zeros(self.clock.starts.shape, dtype=bool)
        if self.clock.starts.size < LEAST_RUN:
            return frozen
        self._range()
        rises = np.diff(self.values, axis=1)
        self._spikes(rises)
        frozen = self._stuck(rises)
        self._dead()
        return frozen

    def _limit(self, name: str) -> _Block2:
        return np.array([[getattr(one, name)] for one in self.limits])

    def _range(self) -> None:
        out = (self.values < self._limit("low")) | (self.values > self._limit("high"))
        if out.any():
            self._set(out, Mark.RANGE)

    def _set(self, where: npt.NDArray[np.bool_], mark: Mark) -> None:
        self.marks[where] |= np.uint8(mark)
        self.values = np.where(where, np.nan, self.values)

    def _spikes(self, rises: _Block2) -> None:
        for c in np.flatnonzero((np.abs(rises) > self._limit("step")).any(axis=1)).tolist():
            where = np.zeros(self.values.shape, dtype=bool)
            where[c] = spikes(self.values[c], self.clock, self.limits[c].step, falls=self.limits[c].falls)
            self._set(where, Mark.SPIKE)

    def _stuck(self, rises: _Block2) -> Mask:
        near = np.diff(self.clock.starts) <= max(_FAR * self.interval_s, 3600)
        near[self.cuts[1:] - 1] = False
        active = (self.values > self._limit("floor"))[:, 1:] & near
        same = (rises == 0.0) & active
        twice = (same[:, 1:] & same[:, :-1]).any(axis=1)
        frozen = np.zeros(self.clock.starts.shape, dtype=bool)
        if not twice.any():
            return frozen
        frozen = self._frozen(rises, same, near)
        for c in np.flatnonzero(twice).tolist():
            if self.limits[c].runs:
                rows = stuck_rows(
                    self.values[c], same[c], active[c], self.clock,
                    tops=self.limits[c].tops, witness=self._witness(c),
                )  # fmt: skip
                self.marks[c, rows] |= np.uint8(Mark.STUCK)
        self.marks[:, frozen] |= np.where(np.isnan(self.values[:, frozen]), np.uint8(0), np.uint8(Mark.STUCK))
        return frozen

    def _frozen(self, rises: _Block2, same: npt.NDArray[np.bool_], near: Mask) -> Mask:
        """Rows of runs in which no channel changed, several of them lively ones and one at a level to move at."""
        lively = np.array(
            [one.lively and c not in self.pairs for c, one in zip(self.channels, self.limits, strict=True)]
        )
        shown = (rises == 0.0) & (self.values[:, 1:] != 0.0)
        still = ~((rises != 0.0) & ~np.isnan(rises)).any(axis=0)
        alike = near & still & (shown[lively].sum(axis=0) >= _LIVELY) & same[lively].any(axis=0)
        frozen = np.zeros(self.clock.starts.shape, dtype=bool)
        for run in unlikely_runs(alike, near, self.clock.day):
            frozen[run.first : run.last + 1] = True
        return frozen

    def _dead(self) -> None:
        top, low = (f.reduceat(self.values, self.cuts, axis=1) for f in (np.fmax, np.fmin))
        floor = self._limit("floor")
        with np.errstate(invalid="ignore"):
            moved = np.isfinite(floor) & (top - low > np.abs(floor)) & (top > floor)
            constant = (top == low) & (top > floor)
        for c, d in np.argwhere(constant).tolist():
            if self.limits[c].whole_days and moved[self._others(c), d].any():
                rows = np.flatnonzero((self.clock.day == d) & ~np.isnan(self.values[c]))
                whole = self.clock.starts[rows[-1]] - self.clock.starts[rows[0]] >= self._least_day_s(c)
                if rows.size >= _LEAST_DAY_ROWS and whole:
                    self.marks[c, rows] |= np.uint8(Mark.DEAD)

    def _others(self, c: int) -> list[int]:
        """Channels that tell that a constant one is dead: any other; a voltage's own current, as an open string's
        voltage may well stand still."""
        subject, quantity = self.channels[c].subject, self.channels[c].quantity
        return [
            i
            for i, one in enumerate(self.channels[: self.own])
            if i != c and (quantity != "dc_voltage" or (one.subject, one.quantity) == (subject, "dc_current"))
        ]

    def _least_day_s(self, c: int) -> int:
        """Temperatures may stand still for long: nearly a whole day of them is asked for."""
        return _LEAST_DAY_S if np.isfinite(self.limits[c].floor) else 20 * 3600

    def _witness(self, c: int) -> Witness:
        channel = self.channels[c]
        counter = next((k for k in self.table.columns if k.reads == "counter" and k.subject == channel.subject), None)
        total = self._dc_total() if channel.quantity == "ac_power" else None
        per_hour = channel.factor / 1000.0 if channel.reads == "mean" else channel.factor

        def witness(first: int, last: int, level: float) -> bool | None:
            said = None
            if counter is not None and counter.quantity == "ac_energy":
                span = self.clock.starts[[first, last]]
                today = self.local // _DAY == self.clock.local[first] // _DAY
                energy_kwh = level * per_hour * float(span[1] - span[0]) / 3600.0
                said = _counted(
                    self.table.starts, self.table.columns[counter] * counter.factor, today, span, energy_kwh
                )
            return _flat(total[first : last + 1]) if said is None and total is not None else said

        return witness

    def _dc_total(self) -> Values | None:
        """Power of all strings of the table, where it holds one inverter's."""
        if sum(c.quantity == "ac_power" for c in self.channels) != 1:
            return None
        rows = [i for i, c in enumerate(self.channels) if c.quantity == "dc_power"]
        return np.asarray(self.values[rows].sum(axis=0)) if rows else None

    def found(self) -> dict[Channel, Flags]:
        """Marks by channel of the table; those of a product are its current's and its voltage's."""
        flags: dict[Channel, Flags] = {}
        for c in np.flatnonzero(self.marks.any(axis=1)).tolist():
            channel = self.channels[c]
            for at in self.pairs.get(channel, (c,)):
                whole = flags.setdefault(self.channels[at], np.zeros(self.table.starts.shape, np.uint8))
                whole[slice(None) if self.rows is None else self.rows] |= self.marks[c]
        return flags

    def on_table(self, rows: Mask) -> Mask:
        """Rows of the block as rows of the table: from the first to the last of each run, whatever stands between."""
        if self.rows is None:
            return rows
        place = np.searchsorted(self.rows, np.arange(self.table.starts.size), side="right") - 1
        return np.asarray(rows[np.maximum(place, 0)] & (place >= 0))


def _pairs(channels: Sequence[Channel], limits: Mapping[Channel, Limits]) -> dict[Channel, tuple[int, int]]:
    """Powers that are told as voltage and current: where the two stand."""
    at = {(c.subject, c.quantity): i for i, c in enumerate(channels)}
    powers = {s: Channel(s, "dc_power", "mean", "W") for s, q in at if q == "dc_voltage" and (s, "dc_current") in at}
    return {
        power: (at[s, "dc_voltage"], at[s, "dc_current"])
        for s, power in powers.items()
        if power in limits and (s, "dc_power") not in at
    }


def spikes(values: Values, clock: Clock, step: float, *, falls: bool) -> Mask:
    """Readings that stand out from the two before and the two after them by more than a step, shape (N,).

    Both sides have to be there on the same local day. Falls count only with `falls`.
    """
    found = np.zeros(values.shape, dtype=bool)
    known = np.flatnonzero(~np.isnan(values))
    if known.size < LEAST_RUN:
        return found
    around = np.full((4, known.size), np.nan)
    v, day = values[known], clock.day[known]
    for row, by in enumerate((1, 2)):
        alike = day[by:] == day[:-by]
        around[row, by:] = np.where(alike, v[:-by], np.nan)
        around[2 + row, :-by] = np.where(alike, v[by:], np.nan)
    sided = ~np.isnan(around[0]) & ~np.isnan(around[2])
    found[known] = sided & (v - np.fmax.reduce(around) > step)
    if falls:
        found[known] |= sided & (np.fmin.reduce(around) - v > step)
    return found


def _counted(starts: Seconds, register: Values, today: Mask, span: Seconds, energy_kwh: float) -> bool | None:
    """Whether a register [kWh] rose as a power says over a span of a day; None where it is too coarse to tell."""
    inside = today & ~np.isnan(register)
    if np.count_nonzero(inside) < LEAST_RUN:
        return None
    at, known = starts[inside], register[inside]
    steps = np.diff(np.unique(known))
    resolution = float(steps.min()) if steps.size else energy_kwh
    rise = float(np.diff(np.interp(span, at, known))[0])
    if energy_kwh < 4.0 * resolution:
        return None
    return abs(rise - energy_kwh) <= _TOLERANCE * energy_kwh + 2.0 * resolution


def _flat(total: Values) -> bool | None:
    """Whether the other side stood still as well; None where it did not tell, or not clearly."""
    if np.isnan(total).any() or total.max() <= 0.0:
        return None
    width = float((total.max() - total.min()) / total.max())
    return None if _TOLERANCE < width < _DISAGREES else width <= _TOLERANCE
