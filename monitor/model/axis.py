"""The time axis of a source: its local days, when each of its readings begins and ends, and where on the grid."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np

from ingest.intervals import anchor_of, interval_bounds
from ingest.quantities import Reads
from ingest.readings import Mask, Seconds, Values
from ingest.sources import BusSource, Marks, Source, WeatherServiceSource
from ingest.timeline import to_local
from monitor.model.grid import Spreading

_DAY = 86_400


class Axis:
    """Times of a source's rows, and a grid; all is worked out once for channels that have the same gaps."""

    def __init__(self, source: Source, starts: Seconds, zone: ZoneInfo, *, onto: Seconds) -> None:
        self.starts, self.onto = starts, onto
        self.declared_s = source.interval_minutes * 60
        self.local = to_local(starts, zone)
        self.days: Seconds = self.local // _DAY
        self._marks = _marks_of(source)
        self._bounds: dict[tuple[float, bytes], tuple[Seconds, Seconds]] = {}
        self._spreadings: dict[bytes, Spreading] = {}

    def bounds(self, known: Mask, reads: Reads) -> tuple[Seconds, Seconds]:
        """Begin and end of the intervals of the known readings of a channel."""
        anchor = anchor_of(self._marks, reads)
        key = (anchor, known.tobytes())
        if key not in self._bounds:
            self._bounds[key] = interval_bounds(
                self.starts[known], declared_s=self.declared_s, anchor=anchor, days=self.days[known]
            )
        return self._bounds[key]

    def spread(self, values: Values) -> tuple[Values, Values]:
        """Means of a state on the grid, and the share of each grid interval with readings (see `grid.spread`)."""
        known = ~np.isnan(values)
        key = known.tobytes()
        if key not in self._spreadings:
            self._spreadings[key] = Spreading(*self.bounds(known, "mean"), onto=self.onto)
        return self._spreadings[key].mean(values[known]), self._spreadings[key].covered


def _marks_of(source: Source) -> Marks:
    if isinstance(source, BusSource):  # a device that is polled answers with what it has at that instant
        return "instant"
    return "start" if isinstance(source, WeatherServiceSource) else source.time.marks
