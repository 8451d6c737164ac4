"""Hints about a sample's clock: the step between rows, days of clock change, and light at night."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, tzinfo

import numpy as np

from ingest.draft.daylight import fit_to_sun
from ingest.readings import Channel, Seconds, Values
from ingest.timeline import local_day, zone_of, zone_table
from monitor.jobs.sample_figures import channels, day_of, local_days
from monitor.jobs.sample_hint import Evidence, Hint, middles

_HOUR_S = 3600
_NIGHT_SHARE = 0.01
# What follows the light most closely comes first.
_LIGHT = ("irradiance_poa", "irradiance_ghi", "dc_current", "dc_power", "ac_power", "ac_energy")
_PRODUCES = ("site", "string", "module", "inverter")


def step_hints(look: Evidence) -> Iterator[Hint]:
    """Rows that stand closer or wider than the declared interval."""
    step, declared = look.span.step_s, look.interval_s
    if step is None or step == declared or look.span.times < 3:
        return
    found = _minutes(step)
    yield Hint(
        "interval",
        f"most rows stand {found} apart, but the source says interval_minutes = {look.source.interval_minutes}: "
        "with the wrong interval every energy is wrong by the same factor",
    )


def clock_change_hints(look: Evidence) -> Iterator[Hint]:
    """Days of clock change whose rows do not fit the zone that the source declares."""
    zone, place = zone_of(look.source.time.zone), look.site.zone
    table = zone_table(place, look.span.first, look.span.last)
    for change, jump in zip(table.changes.tolist(), table.jumps.tolist(), strict=True):
        if not look.span.first + abs(jump) < change < look.span.last - abs(jump):
            continue
        day = day_of(int(local_days(np.array([change]), place)[0]))
        local = _offset(zone, change) != _offset(zone, change - 1)
        hint = _fixed_offset(look, day, place, jump) if local else _civil(look, day, change, jump)
        if hint is not None:
            yield hint


def sun_hints(look: Evidence) -> Iterator[Hint]:
    """Production while the sun is down, or earlier or later than it by more than a roof can explain."""
    chosen = light_of(look)
    if chosen is None:
        return
    channel, starts, values = chosen
    fit = fit_to_sun(middles(starts, look.interval_s), values, look.elevation)
    if fit is None or not (fit.is_off or fit.night_share > _NIGHT_SHARE):
        return
    way = "early" if fit.shift_s > 0 else "late"
    told = f"{channel.quantity} of {channel.subject}: {fit.night_share:.0%} of the rows with light are at night"
    moved = f"; against the sun its times are about {_minutes(abs(fit.shift_s))} too {way}" if fit.is_off else ""
    yield Hint(
        "clock",
        f"{told}{moved}: the zone ({look.source.time.zone}), marks, the time format or the logger's clock is wrong",
    )


def light_of(look: Evidence) -> tuple[Channel, Seconds, Values] | None:
    """The channel that follows the light most closely."""
    found = [
        (channel, starts, values)
        for channel, starts, values in channels(look.result.tables)
        if channel.quantity in _LIGHT
        and channel.reads != "counter"
        and channel.subject.split(":")[0] in _PRODUCES
        and values.size
        and values.max() > 0
    ]
    return min(found, key=lambda one: _LIGHT.index(one[0].quantity)) if found else None


def _fixed_offset(look: Evidence, day: date, zone: tzinfo, jump: int) -> Hint | None:
    """A file read in civil time that has as many rows on the day of the change as on any other."""
    start, end = local_day(day, zone)
    starts = np.unique(np.concatenate([table.starts for table in look.result.tables]))
    rows = int(np.count_nonzero((starts >= start) & (starts < end)))
    skipped = sum("does not exist" in r.reason for r in look.result.rejects)
    plain, whole = 86_400 // look.interval_s, (end - start) // look.interval_s
    if jump > 0 and skipped:
        found = f"{skipped} rows at times of {day} that do not exist there"
    elif jump < 0 and rows == plain < whole:
        found = f"{rows} rows on {day}, which has room for {whole}; the repeated hour stands only once"
    else:
        return None
    return Hint(
        "clock_change",
        f"{found}: the file may be in a fixed offset all year (zone = {_fixed_name(zone, start)!r}, say) and not in "
        f"{look.source.time.zone}, or its logger drops an hour",
    )


def _civil(look: Evidence, day: date, change: int, jump: int) -> Hint | None:
    """A file read in a fixed offset that leaves out, or repeats, an hour where civil time does."""
    zone = zone_of(look.source.time.zone)
    before = _offset(look.site.zone, change - 1)
    # Where the wall clock's jump lies when its times are taken for the fixed offset's.
    wall = change + before - _offset(zone, change)
    starts = np.unique(np.concatenate([table.starts for table in look.result.tables]))
    if jump > 0:
        inside = (starts >= wall) & (starts < wall + jump)
        beside = ((starts >= wall - jump) & (starts < wall)) | ((starts >= wall + jump) & (starts < wall + 2 * jump))
        if inside.any() or np.count_nonzero(beside) < 2 * max(jump // look.interval_s, 1):
            return None
        found = f"the hour from {_clock(wall, zone)} on {day} is missing"
    else:
        if not any("rows repeat a time" in text for text in look.result.notes):
            return None
        found = f"rows repeat a time, and {day} is a day on which the clocks go back"
    return Hint(
        "clock_change", f"{found}: the file may be in {look.site.site.timezone} and not in {look.source.time.zone}"
    )


def _offset(zone: tzinfo, utc: int) -> int:
    offset = datetime.fromtimestamp(utc, zone).utcoffset()
    return int(offset.total_seconds()) if offset is not None else 0


def _fixed_name(zone: tzinfo, utc: int) -> str:
    """The zone's winter offset as a name."""
    dst = datetime.fromtimestamp(utc, zone).dst()
    minutes = (_offset(zone, utc) - (int(dst.total_seconds()) if dst else 0)) // 60
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}" if minutes else "UTC"


def _clock(utc: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(utc, UTC).astimezone(zone).strftime("%H:%M")


def _minutes(seconds: int) -> str:
    if seconds % 60:
        return f"{seconds} s"
    return f"{seconds // 60} min" if seconds < 2 * _HOUR_S else f"{seconds / _HOUR_S:.3g} h"
