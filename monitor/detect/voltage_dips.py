"""Dips of an inverter's power at high grid voltage: what a night notes of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Mask, Values
from monitor.detect.held import Samples, grid_volts, inverter_samples, nominal_volts
from monitor.detect.night import SiteNight
from monitor.model.grid import STEP_S

# Protection and volt-watt curves act from about 108 % of the nominal voltage; the meter in an inverter errs by 1 %.
HIGH_OF_NOMINAL = 1.08
# Samples are judged in which a cloudless sky would give this part of the day's top.
_BRIGHT = 0.3
# A dip is so much below the three-quarter level of the two hours around; a trip of a minute is a fifth of five.
_DIP = 0.12
_AROUND_S = 3600
_STANDS_BELOW = 0.02
_LEAST_BRIGHT = 12
# Without a voltage of the strings only short and deep dips count: shade is long or shallow.
_SHORT_S, _DEEP = 1200, 0.35
# Strings that are let go rise towards their open-circuit voltage, strings under cloud or shade do not rise.
_RISES = 0.012


@dataclass(frozen=True, slots=True)
class Dips:
    """Dips of one day.

    `z` is the rank test of the grid voltage (before and during) of dips against that of all bright samples, positive
    where dips come at high voltage; `kwh` was lost in dips at high voltage; `like_trips` tells that they look like an
    inverter that let go, not like cloud or shade.
    """

    count: int
    z: float
    kwh: float
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
    clear = np.interp((begins + ends) / 2.0, night.starts + STEP_S / 2.0, night.physics.clear_w(subject))
    bright = (clear > _BRIGHT * float(np.max(clear))) & ~np.isnan(before)
    if np.count_nonzero(bright) < _LEAST_BRIGHT:
        return None
    step_s = float(np.median(ends - begins))
    usual = clear * _upper(np.where(bright, watts / np.maximum(clear, 1.0), 0.0), round(_AROUND_S / step_s))
    unit = night.units[subject]
    told = np.interp((begins + ends) / 2.0, night.starts + STEP_S / 2.0, unit.expected.power_w)
    usual = np.where(watts < _STANDS_BELOW * unit.rated_w, np.maximum(usual, told), usual)
    depth = np.clip(1.0 - watts / np.maximum(usual, 1.0), 0.0, 1.0)
    dips = bright & (depth > _DIP) & (usual > 0.05 * unit.rated_w)
    at_high = dips & (before >= high)
    kwh = float(np.sum(((usual - watts) * (ends - begins))[at_high])) / 3.6e6
    return Dips(
        int(np.count_nonzero(at_high)),
        _rank_z(before, dips, bright),
        kwh,
        bool(at_high.any()) and _like_trips(night, inverter, power, at_high, depth),
        float(np.nanmax(before[bright])),
    )


def observe_dips(night: SiteNight) -> dict[str, dict[str, float]]:
    """Traits of inverters with a logged grid voltage: `dip_kwh` and `dip_z` of days with dips like trips."""
    seen = {}
    for inverter in night.site.inverter:
        if f"inverter:{inverter.id}" in night.units:
            dips = find_dips(night, inverter.id)
            if dips is not None:
                guilty = dips.like_trips
                seen[f"inverter:{inverter.id}"] = {
                    "dip_kwh": dips.kwh if guilty else 0.0, "dip_z": dips.z if guilty else 0.0,
                    "volts_top": dips.top_volts,
                }  # fmt: skip
    return seen


def _before(volts: Samples, power: Samples) -> Values:
    """The higher of the voltage in a power sample and of the one before, shape (N,); NaN where neither is near."""
    begins, ends, values = volts
    longest = 2.0 * float(np.median(ends - begins))
    now = np.searchsorted(begins, power[0], side="right") - 1
    found = np.full(power[0].shape, np.nan)
    for at in (now, now - 1):
        inside = at >= 0
        near = inside & (power[0] - begins[np.maximum(at, 0)] <= longest)
        found = np.fmax(found, np.where(near, values[np.maximum(at, 0)], np.nan))
    return found


def _upper(ratio: Values, reach: int) -> Values:
    """The three-quarter level within so many samples on both sides, shape (N,)."""
    reach = max(reach, 2)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(ratio, reach, mode="edge"), 2 * reach + 1)
    rank = round(0.75 * 2 * reach)
    return np.asarray(np.partition(windows, rank, axis=1)[:, rank])


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


def _like_trips(night: SiteNight, inverter: str, power: Samples, at_high: Mask, depth: Values) -> bool:
    rise = _string_rise(night, inverter, power, at_high)
    if rise is not None:
        return rise > _RISES
    edges = np.diff(np.concatenate(([0], at_high.astype(np.int8), [0])))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    lengths = power[1][lasts] - power[0][firsts]
    return bool(np.median(lengths) <= _SHORT_S and np.max(depth[at_high]) >= _DEEP)


def _string_rise(night: SiteNight, inverter: str, power: Samples, at_high: Mask) -> float | None:
    """How far the strings' voltage lies above that of the hours around in the dips; None where nobody logs it."""
    found = []
    for string in night.site.strings_of(inverter):
        samples = None if string.module_electronics else night.as_recorded(f"string:{string.id}", "dc_voltage")
        if samples is None or not samples[2].size:
            continue
        at = np.minimum(np.searchsorted(samples[0], power[0]), samples[0].size - 1)
        same = np.abs(samples[0][at] - power[0]) < (power[1] - power[0])
        usual = samples[2][at[same & ~at_high]]
        mine = samples[2][at[same & at_high]]
        usual = usual[usual > 0.5 * float(np.max(samples[2]))]
        if mine.size and usual.size:
            found.append(float(np.median(mine) / np.median(usual) - 1.0))
    return max(found) if found else None
