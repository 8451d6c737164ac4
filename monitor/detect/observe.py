"""What is noted of every night, so that later nights can tell what has changed: the table of observers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from monitor.detect.balances import observe_balances
from monitor.detect.clocks import observe_clocks
from monitor.detect.crossed import observe_crossed
from monitor.detect.dead import observe_tails
from monitor.detect.delivered import observe_room
from monitor.detect.faulty import observe_faulty
from monitor.detect.held import held_back, observe_tops
from monitor.detect.interruptions import observe_interruptions
from monitor.detect.night import SiteNight
from monitor.detect.outside import observe_outside
from monitor.detect.raised_volts import observe_volts
from monitor.detect.siblings import observe_siblings
from monitor.detect.snow_cover import observe_snow
from monitor.detect.volt_level import observe_volt_level
from monitor.detect.voltage_dips import observe_dips

# Traits by subject. Each observer is shown what those before it have seen.
Observer = Callable[[SiteNight], Mapping[str, Mapping[str, float]]]

# What tells where an inverter was held back, and what leaves such hours out.
FIRST: tuple[Observer, ...] = (observe_tops, observe_volts)
OBSERVERS: tuple[Observer, ...] = (
    observe_snow, observe_dips, observe_siblings, observe_volt_level, observe_crossed, observe_outside, observe_clocks,
    observe_faulty, observe_balances, observe_room, observe_interruptions, observe_tails,
)  # fmt: skip


def observe(night: SiteNight) -> SiteNight:
    """The night with all its traits, and with the hours in which its inverters were held back."""
    night = _with_traits(night, FIRST)
    night = replace(night, held={i.id: held_back(night, i.id) for i in night.site.inverter})
    return _with_traits(night, OBSERVERS)


def _with_traits(night: SiteNight, observers: Sequence[Observer]) -> SiteNight:
    traits = {subject: dict(kept) for subject, kept in night.traits.items()}
    night = replace(night, traits=traits)  # which fills while they look
    for observer in observers:
        for subject, seen in observer(night).items():
            traits.setdefault(subject, {}).update(seen)
    return night
