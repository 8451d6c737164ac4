"""Which readings of a site are not believed: limits from its nameplates, and the marks that follow from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ingest.quality import Limits, Marks, Rating, limits_for, mark_table
from ingest.readings import Channel, Seconds, Table, Values
from monitor.config.models import Site

# Cold modules have more than their voltage at 25 degC.
_COLD = 1.25


@dataclass(frozen=True, slots=True)
class SiteRatings:
    """Nameplates by subject, looked up once a span."""

    by_subject: Mapping[str, Rating]

    def limits(self, table: Table, *, interval_s: int) -> dict[Channel, Limits]:
        """Limits of a table's channels, and of powers that follow from voltage and current."""
        found: dict[Channel, Limits] = {}
        for channel in table.columns:
            derived = Channel(channel.subject, "dc_power", "mean", "W")
            for one in (channel, derived) if channel.quantity == "dc_current" else (channel,):
                limits = limits_for(one, self.by_subject.get(one.subject, Rating()), interval_s=interval_s)
                if limits is not None:
                    found[one] = limits
        return found


def ratings_of(site: Site) -> SiteRatings:
    """Nameplates of a site's strings, modules, inverters and generation meters."""
    found: dict[str, Rating] = {}
    export = () if site.site.export_limit_w is None else (site.site.export_limit_w,)
    for inverter in site.inverter:
        found[f"inverter:{inverter.id}"] = Rating(
            inverter.rated_ac_w, tops_w=(inverter.rated_ac_w, *export), takes=site.battery is not None
        )
    for meter in site.meter:
        if meter.role == "generation" and meter.inverter is not None:
            found[f"meter:{meter.id}"] = found[f"inverter:{meter.inverter}"]
    for string in site.string:
        module = string.module
        found[f"string:{string.id}"] = Rating(
            string.rated_w,
            voltage_v=_COLD * string.modules * module.voc_v,
            current_a=module.imp_a,
            chains=string.modules,
            held=string.module_electronics,
        )
        one = Rating(module.pmp_w, voltage_v=_COLD * module.voc_v, current_a=module.imp_a, held=True)
        found |= {f"module:{string.id}/{n:02d}": one for n in range(1, string.modules + 1)}
    return SiteRatings(found)


def mark_source(ratings: SiteRatings, table: Table, *, interval_s: int, local: Seconds) -> Marks:
    """Marks of one source's readings; `local` is what the site's clock shows at their starts."""
    return mark_table(table, ratings.limits(table, interval_s=interval_s), interval_s=interval_s, local=local)


def believed(table: Table, marks: Marks) -> dict[Channel, Values]:
    """Columns in the units used inside, with a gap for every reading that has a mark."""
    return {
        channel: np.where(marks.flags[channel] > 0, np.nan, values * channel.factor)
        if channel in marks.flags
        else values * channel.factor
        for channel, values in table.columns.items()
    }
