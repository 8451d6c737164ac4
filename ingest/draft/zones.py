"""The zone of a file's clock and what its times mark, from days of clock change, the sun, and the file's edges."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

import numpy as np

from ingest.draft.daylight import fit_to_sun
from ingest.draft.proposal import Roof, Told
from ingest.draft.words import plain_words
from ingest.readings import Mask, Seconds, Values
from ingest.timeline import to_local, to_utc, zone_of, zone_table

_DAY_S = 86_400
_START = ("start", "begin", "beginning", "von", "from", "beginn", "debut", "inicio", "desde")
_END = ("end", "ending", "ende", "bis", "until", "fin", "hasta")


def find_zone(column: str, naive: Seconds, *, aware: bool, light: Values | None, roof: Roof | None) -> Told:
    """The zone of a clock whose times are `naive`; `light` is a column that follows the sun, where there is one."""
    if aware:
        return Told("UTC", "the times say their offset from UTC")
    if {"utc", "gmt"} & set(plain_words(column)):
        return Told("UTC", "the column's name says it")
    if roof is None:
        return Told(None, "no site is known: --site ID", "open", ("UTC", "the site's zone"))
    others, alike = _other_clocks(roof.zone, naive)
    seen = changes_seen(naive, ZoneInfo(roof.zone))
    if seen == "civil":
        return Told(roof.zone, "the clocks' change shows in the rows")
    if not others:
        return Told(roof.zone, "the site's zone, the same at these times", "proposed", alike)
    by_sun = _by_sun(others if seen == "fixed" else (roof.zone, *others), naive, light, roof)
    if seen == "fixed":
        fixed = others[0] if len(others) == 1 else by_sun.value if by_sun is not None else None
        why = "the clocks' change does not show in the rows"
        return Told(fixed, why) if fixed is not None else Told(None, why, "open", others)
    if by_sun is None:
        return Told(None, "neither a clocks' change nor the light tells", "open", (roof.zone, *others))
    if by_sun.value == roof.zone and alike:
        return Told(roof.zone, f"the site's zone; {by_sun.why}", "proposed", alike)
    return by_sun


def find_marks(
    column: str, naive: Seconds, utc: Seconds, *, zone: tzinfo, interval_s: int, only_counters: bool
) -> Told:
    """What the times mark: from the column's name, or from a file that begins or ends with a day of either clock."""
    words = set(plain_words(column))
    for marks, known in (("start", _START), ("end", _END)):
        if words & set(known):
            return Told(marks, "the column's name says it")
    edges = [tuple(int(clock) % _DAY_S for clock in times[[0, -1]]) for times in (naive, to_local(utc, zone))]
    if (interval_s, 0) in edges:
        return Told("end", "the file reaches from an interval after midnight to 00:00")
    if (0, _DAY_S - interval_s) in edges:
        return Told("start", "the file reaches from 00:00 to an interval before midnight", "proposed", ("instant",))
    if only_counters:
        return Told("instant", "registers only, which are read at instants", "proposed", ("start", "end"))
    if edges[0][0] == 0:
        return Told("start", "the file begins at 00:00", "proposed", ("instant", "end"))
    return Told("start", "nothing in the file tells", "proposed", ("end", "instant"))


def changes_seen(naive: Seconds, zone: ZoneInfo) -> str:
    """`civil` when an hour is left out or stands twice as the zone's clocks do, `fixed` when not, else nothing."""
    table = zone_table(zone, int(naive.min()), int(naive.max()))
    found = ""
    for wall, jump in zip(table.walls.tolist(), table.jumps.tolist(), strict=True):
        first, after = (wall, wall + jump) if jump > 0 else (wall + jump, wall)
        size = after - first
        inside = _within(naive, first, after)
        before, behind = _within(naive, first - size, first), _within(naive, after, after + size)
        if not before.any() or not behind.any():
            continue
        if jump > 0:
            found = found or ("fixed" if inside.any() else "civil")
        elif _stands_twice(naive[inside]):
            found = found or "civil"
    return found


def to_zone(naive: Seconds, name: str, *, interval_s: int) -> Seconds:
    """Naive times to UTC."""
    return to_utc(naive, zone_of(name), interval_s=interval_s).utc


def _by_sun(names: Sequence[str], naive: Seconds, light: Values | None, roof: Roof) -> Told | None:
    """The one zone under which the light fits the sun; None when none or several do."""
    if light is None:
        return None
    fits = {name: fit_to_sun(to_zone(naive, name, interval_s=60), light, roof.elevation) for name in names}
    good = [name for name, fit in fits.items() if fit is not None and fit.fits]
    off = [name for name, fit in fits.items() if fit is not None and fit.is_off]
    if len(good) == 1 and len(off) == len(names) - 1:
        fit = fits[good[0]]
        told = ", ".join(f"{name} by {abs(f.shift_s) // 60} min" for name, f in fits.items() if f and name in off)
        return Told(good[0], f"the light fits the sun to {abs(fit.shift_s) // 60 if fit else 0} min; off: {told}")
    return None


def _other_clocks(site_zone: str, naive: Seconds) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """UTC and the site's winter time all year: those that differ from civil time at these times, and those that do
    not."""
    zone = ZoneInfo(site_zone)
    civil = to_utc(naive, zone, interval_s=60).utc
    winter = _winter_hours(zone, int(naive.min()))
    names = ["UTC"] if not winter or winter != int(winter) else ["UTC", f"{int(winter):+03d}:00"]
    alike = [np.array_equal(civil, to_zone(naive, name, interval_s=60)) for name in names]
    return tuple(n for n, same in zip(names, alike, strict=True) if not same), tuple(
        n for n, same in zip(names, alike, strict=True) if same
    )


def _winter_hours(zone: ZoneInfo, utc: int) -> float:
    now = datetime.fromtimestamp(utc, UTC).astimezone(zone)
    offset, dst = now.utcoffset(), now.dst()
    return ((offset.total_seconds() if offset else 0.0) - (dst.total_seconds() if dst else 0.0)) / 3600


def _within(times: Seconds, first: int, after: int) -> Mask:
    return (times >= first) & (times < after)


def _stands_twice(times: Seconds) -> bool:
    return times.size > 1.8 * np.unique(times).size
