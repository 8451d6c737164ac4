"""The time axis of a source: its local days, and when each of its readings begins and ends."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from ingest.intervals import anchor_of, interval_bounds
from ingest.quantities import Reads
from ingest.readings import Mask, Seconds
from ingest.sources import BusSource, Marks, Source, WeatherServiceSource
from ingest.timeline import to_local

_DAY = 86_400


class Axis:
    """Times of a source's rows; bounds are worked out once for all channels that have the same gaps."""

    def __init__(self, source: Source, starts: Seconds, zone: ZoneInfo) -> None:
        self.starts = starts
        self.declared_s = source.interval_minutes * 60
        self.local = to_local(starts, zone)
        self.days: Seconds = self.local // _DAY
        self._marks = _marks_of(source)
        self._known: dict[tuple[float, bytes], tuple[Seconds, Seconds]] = {}

    def bounds(self, known: Mask, reads: Reads) -> tuple[Seconds, Seconds]:
        """Begin and end of the intervals of the known readings of a channel."""
        anchor = anchor_of(self._marks, reads)
        key = (anchor, known.tobytes())
        if key not in self._known:
            self._known[key] = interval_bounds(
                self.starts[known], declared_s=self.declared_s, anchor=anchor, days=self.days[known]
            )
        return self._known[key]


def _marks_of(source: Source) -> Marks:
    if isinstance(source, BusSource):  # a device that is polled answers with what it has at that instant
        return "instant"
    return "start" if isinstance(source, WeatherServiceSource) else source.time.marks
