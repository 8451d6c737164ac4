"""Which of a site's channels contradict each other, day by day: nothing is believed against two others."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ingest.quality import Mark
from ingest.readings import Seconds, Values
from ingest.timeline import to_local
from monitor.config.models import Inverter, Site
from monitor.model.agreement import Telling, disagreements, mute_string, total_of
from monitor.model.grid import STEP_S

_DAY = 86_400
# Levels of strings and meters are only disbelieved for factors that no fault of a roof and no wiring could have.
_BEYOND_WIRING = 9.0
# A string at work lies between these shares of its open-circuit voltage at 25 degC.
_AT_WORK = (0.40, 0.87)


@dataclass(frozen=True, slots=True)
class ChannelFault:
    """A channel that says something wrong over a day; `factor` is its level over the true one, None if it is mute."""

    subject: str
    channel: str  # ac_power, ac_energy or dc_power
    mark: Mark
    factor: float | None
    start: int
    end: int


class Reconciler:
    """Holds the channels of each inverter against each other.

    `power_w` are powers by subject and `counted_w` what counters tell, on the grid `starts`; `volts` gives a string's
    voltage on the grid, or None.
    """

    def __init__(
        self,
        site: Site,
        starts: Seconds,
        power_w: Mapping[str, Values],
        counted_w: Mapping[str, Values],
        volts: Callable[[str], Values | None],
    ) -> None:
        self.site, self.starts, self.power_w, self.counted_w, self.volts = site, starts, power_w, counted_w, volts

    def faults(self) -> list[ChannelFault]:
        """All contradictions that can be decided."""
        return [fault for day in self._days() for inverter in self.site.inverter for fault in self._of(inverter, day)]

    def _days(self) -> list[slice]:
        number = to_local(self.starts, self.site.zone) // _DAY
        cuts = [0, *(np.flatnonzero(np.diff(number)) + 1).tolist(), number.size]
        return [slice(a, b) for a, b in zip(cuts[:-1], cuts[1:], strict=True)]

    def _of(self, inverter: Inverter, day: slice) -> Iterator[ChannelFault]:
        subject = f"inverter:{inverter.id}"
        wired = {f"string:{s.id}": s for s in self.site.strings_of(inverter.id)}
        strings = {s: self.power_w[s][day] for s in wired if s in self.power_w}
        told = list(self._told(subject, inverter, day))
        mute = self._mute(strings, told, inverter, day) if len(strings) == len(wired) > 0 else None
        if mute is not None:
            yield self._fault(mute, "dc_power", Mark.DEAD, None, day)
        total = total_of(strings, len(wired)) if mute is None else None
        powers = [*(one for _, one in told), *([] if total is None else [Telling("dc", total)])]
        owners = dict(zip((one.name for one in powers), (s for s, _ in told), strict=False))
        for off in disagreements(powers, inverter.rated_ac_w):
            far = max(off.factor, 1.0 / off.factor) > _BEYOND_WIRING
            if off.name == "dc" and far:
                yield from (self._fault(s, "dc_power", Mark.UNIT, off.factor, day) for s in strings)
            elif off.name != "dc" and (far or owners[off.name] == subject):
                channel = off.name.removeprefix("meter ")
                yield self._fault(owners[off.name], channel, Mark.UNIT, off.factor, day)

    def _told(self, subject: str, inverter: Inverter, day: slice) -> Iterator[tuple[str, Telling]]:
        """Who tells of an inverter's energy, under which name."""
        meters = [m.id for m in self.site.meter if m.role == "generation" and m.inverter == inverter.id]
        for owner, prefix in ((subject, ""), *((f"meter:{m}", "meter ") for m in meters[:1])):
            for name, powers in (("ac_power", self.power_w), ("ac_energy", self.counted_w)):
                if owner in powers:
                    yield owner, Telling(prefix + name, powers[owner][day])

    def _mute(
        self, strings: Mapping[str, Values], told: list[tuple[str, Telling]], inverter: Inverter, day: slice
    ) -> str | None:
        if not told:
            return None
        rated = {f"string:{s.id}": s.rated_w for s in self.site.strings_of(inverter.id)}
        ac_w = told[0][1].power_w
        found = mute_string(strings, rated, ac_w, inverter.rated_ac_w)
        if found is None:
            return None
        volts = self.volts(found)
        return found if volts is None or self._at_work(found, volts[day], ac_w) else None

    def _at_work(self, subject: str, volts: Values, ac_w: Values) -> bool:
        """Whether a string's voltage is that of a loaded one: an open string stands higher, a cut one at nothing."""
        string = next(s for s in self.site.string if f"string:{s.id}" == subject)
        bright = ~np.isnan(volts) & (np.nan_to_num(ac_w) > 0.1 * np.nanmax(ac_w))
        if not bright.any():
            return False
        share = float(np.median(volts[bright])) / (string.modules * string.module.voc_v)
        return _AT_WORK[0] <= share <= _AT_WORK[1]

    def _fault(self, subject: str, channel: str, mark: Mark, factor: float | None, day: slice) -> ChannelFault:
        return ChannelFault(
            subject, channel, mark, factor, int(self.starts[day][0]), int(self.starts[day][-1]) + STEP_S
        )
