"""Dips of an inverter's power at high grid voltage: what a night notes of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.detect.held import Samples, cells_of, grid_volts, inverter_samples, nominal_volts
from monitor.detect.night import SiteNight
from monitor.model.grid import STEP_S
from monitor.model.middle import median

# Protection and volt-watt curves act from about 108 % of the nominal voltage; the meter in an inverter errs by 1 %.
HIGH_OF_NOMINAL = 1.08
# Samples are judged in which a cloudless sky would give this part of the day's top.
_BRIGHT = 0.3
# A dip is so much below the upper level of the two hours around; a trip of a minute is a fifth of five.
_DIP = 0.12
_AROUND_S = 3600
_UPPER = 0.9
_LEAST_BRIGHT = 12
# No cloud takes this much: an inverter that waits before it may connect again. Where such dips are a quarter of a
# day's, they alone count.
_GONE, _GONE_PART = 0.95, 0.25
# Without a voltage of the strings other dips count only if they are short and deep: shade is long or shallow.
_SHORT_S, _DEEP = 1200, 0.35
# Strings that are let go for a part of the time rise by a fifth of that part, towards their open-circuit voltage (1.2
# of the voltage at full power); strings under a cloud rise by less than a twentieth of it, because they cool.
_RISE_OF_DEPTH = 0.10


@dataclass(frozen=True, slots=True)
class Dips:
    """Dips of one day.

    `count` dips began at high voltage; `z` is the rank test of the grid voltage at their beginning against that of the
    other bright samples at high voltage, positive where the highest voltages are met by dips; `kwh` was lost in them;
    `gone` tells that power went altogether in them, `like_trips` that they look like an inverter that let go, not like
    cloud or shade.
    """

    count: int
    z: float
    kwh: float
    gone: bool
    like_trips: bool
    top_volts: float


def find_dips(night: SiteNight, inverter: str) -> Dips | None:
    """Dips of an inverter at high grid voltage; None where no voltage is logged or the day cannot be judged."""
    volts, power = grid_volts(night, inverter), inverter_samples(night, inverter)
    if volts is None or power is None or night.physics is None or power[2].size < _LEAST_BRIGHT:
        return None
    begins, ends, watts = power
    before = _before(volts, power)
    high = HIGH_OF_NOMINAL * nominal_volts(volts[2])
    subject = f"inverter:{inverter}"
    gain = night.gains[subject].clear_sky if subject in night.gains else 1.0
    middles = (begins + ends) / 2.0
    clear = gain * np.interp(middles, night.starts + STEP_S / 2.0, night.physics.clear_w(subject))
    bright = (clear > _BRIGHT * float(np.max(clear))) & ~np.isnan(before)
    if np.count_nonzero(bright) < _LEAST_BRIGHT:
        return None
    step_s = median(ends - begins)
    share = np.where(bright, np.minimum(watts / np.maximum(clear, 1.0), 1.0), 0.0)
    usual = clear * _upper(share, round(_AROUND_S / step_s))
    depth = np.clip(1.0 - watts / np.maximum(usual, 1.0), 0.0, 1.0)
    dips = bright & (depth > _DIP) & (usual > 0.05 * night.units[subject].rated_w)
    begun = dips & ~np.concatenate(([False], dips[:-1]))
    counted = _runs_with(dips, begun & (before >= high))
    gone = _runs_with(counted, depth > _GONE)
    altogether = bool(np.count_nonzero(gone & begun) > _GONE_PART * np.count_nonzero(counted & begun))
    rise = None if altogether else _string_rise(night, inverter, power, counted)
    if altogether:
        counted = gone
    elif rise is not None:
        counted &= ~(rise < _RISE_OF_DEPTH * depth)
    first = counted & begun
    like_trips = altogether or rise is not None or _short_and_deep(power, counted, depth)
    kwh = float(np.sum(((usual - watts) * (ends - begins))[counted])) / 3.6e6
    return Dips(
        int(np.count_nonzero(first)),
        _rank_z(before, first, bright & (before >= high) & (first | ~dips)),
        kwh,
        altogether,
        bool(first.any() and like_trips),
        float(np.nanmax(before[bright])),
    )


def observe_dips(night: SiteNight) -> dict[str, dict[str, float]]:
    """Traits of inverters with a logged grid voltage: `volts_top` of bright samples, and of days with dips like trips.

    `dip_kwh` was lost in them, `high_kwh` was lacking at high voltage of what was seen from outside; their rank score
    is `gone_z` where power went altogether, else `dip_z`. Days without such dips have a `dip_kwh` of zero.
    """
    seen = {}
    for inverter in night.site.inverter:
        dips = find_dips(night, inverter.id) if f"inverter:{inverter.id}" in night.units else None
        if dips is not None:
            traits = {"dip_kwh": dips.kwh if dips.like_trips else 0.0, "volts_top": dips.top_volts}
            missing = _missing_at_high_voltage(night, inverter.id)
            if missing is not None:
                traits["high_kwh"] = missing
            if dips.like_trips:
                traits["gone_z" if dips.gone else "dip_z"] = dips.z
            seen[f"inverter:{inverter.id}"] = traits
    return seen


def _missing_at_high_voltage(night: SiteNight, inverter: str) -> float | None:
    """What an inverter lacked at high grid voltage of what was seen from outside [kWh]; None where nobody saw that.

    An inverter that waits most of the time before it connects again never shows the level that it dips from.
    """
    volts, unit = grid_volts(night, inverter), night.units[f"inverter:{inverter}"]
    outside = night.outside_w.get(unit.subject)
    if volts is None or outside is None:
        return None
    begins, ends, values = volts
    high = values >= HIGH_OF_NOMINAL * nominal_volts(values)
    where = cells_of(night, begins[high], 2 * ends[high] - begins[high])
    if np.isnan(outside[where]).any():
        return None
    return night.energy_kwh(np.maximum(outside - unit.power_w, 0.0), where)


def _before(volts: Samples, power: Samples) -> Values:
    """The higher of the voltage in a power sample and of the one before, shape (N,); NaN where neither is near."""
    begins, ends, values = volts
    longest = 2.0 * median(ends - begins)
    now = np.searchsorted(begins, power[0], side="right") - 1
    found = np.full(power[0].shape, np.nan)
    for at in (now, now - 1):
        inside = at >= 0
        near = inside & (power[0] - begins[np.maximum(at, 0)] <= longest)
        found = np.fmax(found, np.where(near, values[np.maximum(at, 0)], np.nan))
    return found


def _upper(share: Values, reach: int) -> Values:
    """The upper level within so many samples on both sides, shape (N,)."""
    reach = max(reach, 2)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(share, reach, mode="edge"), 2 * reach + 1)
    rank = round(_UPPER * 2 * reach)
    return np.asarray(np.partition(windows, rank, axis=1)[:, rank])


def _runs_with(dips: Mask, marked: Mask) -> Mask:
    """Samples of the runs of dips that hold any of some marked ones, shape (N,)."""
    number = np.cumsum(np.diff(np.concatenate(([0], dips.astype(np.int8)))) == 1)
    return dips & np.isin(number, number[dips & marked])


def _rank_z(volts: Values, dips: Mask, bright: Mask) -> float:
    """Mann and Whitney's test of the voltage in dips against that in the other bright samples, as a normal score."""
    inside, all_of = int(np.count_nonzero(dips)), int(np.count_nonzero(bright))
    outside = all_of - inside
    if not inside or not outside:
        return 0.0
    ordered = np.sort(volts[bright])
    mine = volts[dips]
    ranks = (np.searchsorted(ordered, mine, side="left") + np.searchsorted(ordered, mine, side="right")) / 2.0
    spread = np.sqrt(outside * (all_of + 1) / (12.0 * inside))
    return float((np.mean(ranks) - all_of / 2.0) / spread)


def _short_and_deep(power: Samples, counted: Mask, depth: Values) -> bool:
    if not counted.any():
        return False
    edges = np.diff(np.concatenate(([0], counted.astype(np.int8), [0])))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return bool(median(power[1][lasts] - power[0][firsts]) <= _SHORT_S and np.max(depth[counted]) >= _DEEP)


def _string_rise(night: SiteNight, inverter: str, power: Samples, dips: Mask) -> Values | None:
    """How far the strings' voltage lies above that around the dips, as a share, shape (N,); None where not logged."""
    found = []
    for string in night.site.strings_of(inverter):
        samples = None if string.module_electronics else night.as_recorded(f"string:{string.id}", "dc_voltage")
        if samples is None or not samples[2].size:
            continue
        at = np.minimum(np.searchsorted(samples[0], power[0]), samples[0].size - 1)
        same = np.abs(samples[0][at] - power[0]) < (power[1] - power[0])
        volts = np.where(same, samples[2][at], np.nan)
        calm = ~dips & (volts > 0.5 * float(np.max(samples[2])))
        if calm.any():
            found.append(volts / np.interp(power[0], power[0][calm], volts[calm]) - 1.0)
    return np.fmax.reduce(found) if found else None
