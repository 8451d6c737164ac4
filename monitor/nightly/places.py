"""Doubts about where a site file puts a roof, by the sun of its days."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

import numpy as np

from monitor.config.models import Site
from monitor.model.middle import median
from monitor.model.place import MINUTES_PER_DEGREE, place_by_sun
from monitor.store import Store
from monitor.store.baselines import Baseline
from monitor.store.daily import DailyRow, read_daily

PLACE = "place"
# Nights after the first one on which the days so far are looked at.
_AT_NIGHTS = (90, 180, 365)
# Healthy roofs, invented and real, lie within ten minutes of the sun; what is less than this is not told.
_LATE_MIN = 15.0
# Days that tell of the latitude; how far roofs of a fleet lie apart, and how far a roof from the model [degrees].
_LEAST_DAYS, _BESIDE_FLEET, _SCATTERS, _LEAST_ROOFS, _BESIDE_MODEL = 120, 4.0, 3.0, 4, 7.0


def place_baselines(store: Store, site: Site, *, since: date, night: date) -> list[Baseline]:
    """How a site's days lie to the sun, on the nights on which that is looked at; elsewhere nothing."""
    nights = (night - since).days
    if nights not in _AT_NIGHTS:
        return []
    with store.read() as conn:
        told = _days_told(read_daily(conn, site=site.id, last=night))
    days, first, last = (np.array(part) for part in zip(*told, strict=True)) if told else (np.zeros(0),) * 3
    found = place_by_sun(days.astype(np.int64), first, last, latitude=site.site.latitude)
    if found is None:
        return []
    return [
        Baseline(
            site=site.id,
            subject=PLACE,
            epoch=_AT_NIGHTS.index(nights),
            frozen_on=night,
            learned_from=date.fromordinal(int(days[0])),
            learned_until=night,
            values={"late_min": round(found.late_min, 1), "north_deg": found.north_deg, "days": found.days},
        )
    ]


def place_doubts(sites: Sequence[Site], baselines: Sequence[Baseline]) -> list[str]:
    """A sentence for each site whose days do not lie as those of its place would, by the newest look."""
    newest = {b.site: b.values for b in baselines if b.subject == PLACE}  # in order of epoch
    norths = {
        site: float(told["north_deg"])
        for site, told in newest.items()
        if told["north_deg"] is not None and told["days"] >= _LEAST_DAYS
    }
    found = []
    for site in (s for s in sites if s.id in newest):
        others = [north for name, north in norths.items() if name != site.id]
        late = float(newest[site.id]["late_min"])
        found += [f"{site.id}: {text}" for text in (*_by_middle(site, late), *_by_length(norths.get(site.id), others))]
    return found


def _days_told(rows: Sequence[DailyRow]) -> list[tuple[int, float, float]]:
    """Day, first and last power by the source that tells of most days."""
    by: dict[str, list[tuple[int, float, float]]] = {}
    for row in rows:
        first, last = row.features.get("first_s"), row.features.get("last_s")
        if first is not None and last is not None:
            by.setdefault(row.subject, []).append((row.day.toordinal(), first, last))
    return max(by.values(), key=len) if by else []


def _by_middle(site: Site, late_min: float) -> Iterator[str]:
    if abs(late_min) < _LATE_MIN:
        return
    when, way = ("late", "west") if late_min > 0.0 else ("early", "east")
    minutes, here = abs(late_min), f"{site.site.longitude:g}"
    yield (
        f"the middle of its days is {minutes:.0f} minutes {when} by the sun of longitude {here}, as "
        f"{minutes / MINUTES_PER_DEGREE:.0f} degrees farther {way}: check the longitude and its sign, and zone and "
        "clock of the log"
    )


def _by_length(north: float | None, others: Sequence[float]) -> Iterator[str]:
    if north is None:
        return
    usual, limit = 0.0, _BESIDE_MODEL
    if len(others) >= _LEAST_ROOFS:
        usual = median(np.array(others))
        limit = max(_BESIDE_FLEET, _SCATTERS * 1.4826 * median(np.abs(np.array(others) - usual)))
    if abs(north - usual) > limit:
        way = "north" if north > usual else "south"
        yield f"its days turn with the year as those of a place some degrees farther {way} do: check the latitude"
