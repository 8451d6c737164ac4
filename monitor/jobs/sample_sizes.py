"""Hints about a sample's numbers: what no roof of this size gives, registers that fall, energies that disagree."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from ingest.counters import interval_energy
from ingest.quantities import QUANTITIES
from ingest.readings import Channel, Seconds, Values
from monitor.jobs.sample_figures import channels
from monitor.jobs.sample_hint import Evidence, Hint, falls, rated_w

# Best days of tilted roofs give 8 to 9 kWh per kWp, and clouds' edges lift the power to 1.3 times nameplate. Common
# practice; the margins are ours.
_MOST_KWH_PER_KWP, _MOST_POWER = 12.0, 1.6
_LEAST_KWH_PER_KWP, _ENOUGH_DAYS = 0.02, 3
_TOLD_FALLS = 3
_DAY_S, _ONE_TIME = 86_400, 0.96  # the mean of unit vectors on the dial: within about an hour
_TELLING_KWH = 0.5
_AGREE, _THOUSAND = 1.6, 1000.0
_NIGHT_DEG, _HIGH_SUN_DEG = -3.0, 25.0


def energy_hints(look: Evidence) -> Iterator[Hint]:
    """Days with more energy than the roof can give, or next to none: most often a unit wrong by 1000."""
    for energy in look.days:
        rated = rated_w(look.site, energy.channel.subject)
        if rated is None or not energy.kwh or energy.channel.quantity not in ("ac_power", "ac_energy", "dc_power"):
            continue
        day, most = max(energy.kwh.items(), key=lambda item: item[1])
        kwp, what = rated / 1000.0, _what(energy.channel)
        if most > _MOST_KWH_PER_KWP * kwp:
            hint = f"{most:,.0f} kWh on {day} is more than {kwp:.3g} kWp can give (about {9 * kwp:.0f} on the best day)"
            yield Hint("unit", f"{what}: {hint}: {_suspect(energy.channel, too_much=True)}")
        elif 0 < most < _LEAST_KWH_PER_KWP * kwp and len(energy.kwh) >= _ENOUGH_DAYS:
            hint = f"at most {most:.3g} kWh a day in {len(energy.kwh)} days is next to nothing for {kwp:.3g} kWp"
            yield Hint("unit", f"{what}: {hint}: {_suspect(energy.channel, too_much=False)}")


def power_hints(look: Evidence) -> Iterator[Hint]:
    """A power beyond the nameplate on a few rows, or one that only rises."""
    for channel, _, values in channels(look.result.tables):
        if QUANTITIES[channel.quantity].dimension != "power" or values.size < 3:
            continue
        rated, highest = rated_w(look.site, channel.subject), float(values.max()) * channel.factor
        if rated is not None and highest > _MOST_POWER * rated and highest < 100 * rated:
            rows = int(np.count_nonzero(values * channel.factor > _MOST_POWER * rated))
            yield Hint("power", f"{_what(channel)}: up to {highest:,.0f} W in {rows} rows, but its nameplate is "
                       f"{rated:,.0f} W: look at the unit, and whether the site file has all strings")  # fmt: skip
        if _only_rises(values):
            yield Hint("reads", f"{_what(channel)}: never falls from {values[0]:g} to {values[-1]:g}: it looks like a "
                       "counter of energy (an energy quantity, reads = 'counter')")  # fmt: skip


def reads_hints(look: Evidence) -> Iterator[Hint]:
    """A counter declared as energies of intervals, or the other way round."""
    for channel, _, values in channels(look.result.tables):
        if channel.reads == "interval" and _only_rises(values):
            yield Hint("reads", f"{_what(channel)}: never falls from {values[0]:g} to {values[-1]:g}: it looks like a "
                       "counter (reads = 'counter')")  # fmt: skip
        if channel.reads == "counter" and _rises_and_falls(values):
            yield Hint("reads", f"{_what(channel)}: falls in {falls(values).size} of {values.size - 1} steps: it looks "
                       "like the energy of each interval (reads = 'interval')")  # fmt: skip


def counter_hints(look: Evidence) -> Iterator[Hint]:
    """Registers that fall, and what becomes of the energy there."""
    for channel, starts, values in channels(look.result.tables):
        places = falls(values) if channel.reads == "counter" else np.array([], np.intp)
        if not places.size or _rises_and_falls(values):
            continue
        energy, _ = interval_energy(starts, values, interval_s=look.interval_s)
        lost = int(np.count_nonzero(np.isnan(energy[places])))
        told = ", ".join(_fall(look, starts, values, place) for place in places[:_TOLD_FALLS].tolist())
        more = f" and {places.size - _TOLD_FALLS} more" if places.size > _TOLD_FALLS else ""
        fate = "read as a reset or roll-over, no energy is lost" if not lost else (
            f"{lost} cannot be explained, the energy of those steps is left open")  # fmt: skip
        kind = "counter_reset" if not lost else "counter_falls"
        daily = "; it starts anew every day" if _is_daily(starts, places) else ""
        yield Hint(kind, f"{_what(channel)}: the register falls {told}{more}: {fate}{daily}")


def agreement_hints(look: Evidence) -> Iterator[Hint]:
    """Power and energy of one subject that differ by a factor."""
    powers = {c.subject: (s, v * c.factor) for c, s, v in channels(look.result.tables) if c.quantity == "ac_power"}
    for channel, starts, values in channels(look.result.tables):
        if channel.quantity != "ac_energy" or channel.subject not in powers:
            continue
        energy = _interval_kwh(channel, starts, values, look.interval_s)
        ratio = _ratio(powers[channel.subject], (starts, energy), look.interval_s)
        if ratio is None or 1 / _AGREE < ratio < _AGREE:
            continue
        by_thousand = any(abs(np.log(ratio / factor)) < 0.3 for factor in (_THOUSAND, 1 / _THOUSAND))
        cause = "one of the units is wrong by 1000" if by_thousand else "look at units, interval_minutes and reads"
        told = f"power gives {ratio:.3g} times the energy that {channel.quantity} counts in the same intervals"
        yield Hint("disagreement", f"{channel.subject}: {told}: {cause}")


def direction_hints(look: Evidence) -> Iterator[Hint]:
    """A grid meter that sends out at night and draws at noon: import and export are changed over."""
    if look.site.battery is not None:
        return
    means = {c: (s, v) for c, s, v in channels(look.result.tables) if c.reads != "counter"}
    for channel, (starts, values) in means.items():
        if not channel.quantity.startswith("export_"):
            continue
        height = look.elevation(starts + look.interval_s // 2)
        night, high = values[height < _NIGHT_DEG], values[height > _HIGH_SUN_DEG]
        if night.size and high.size and night.mean() > 0 and night.mean() > high.mean():
            yield Hint("direction", f"{_what(channel)}: more is sent out at night than under a high sun: import and "
                       "export are changed over, or the meter's clamp is turned round")  # fmt: skip


def _only_rises(values: Values) -> bool:
    """Never falls though it moves a lot, as no power and no energy of an interval does over a day."""
    moves = np.count_nonzero(np.diff(values) > 0)
    return bool(values.size > 24 and moves > 8 and not falls(values).size and values[-1] > values[0] >= 0)


def _rises_and_falls(values: Values) -> bool:
    steps = np.diff(values)
    down, moving = np.count_nonzero(steps < 0), np.count_nonzero(steps)
    return bool(moving > 8 and down > 0.2 * moving)


def _is_daily(starts: Seconds, places: npt.NDArray[np.intp]) -> bool:
    """All falls stand at about one time of the day."""
    angle = 2 * np.pi * (starts[places] % _DAY_S) / _DAY_S
    return places.size > 1 and bool(abs(np.exp(1j * angle).mean()) > _ONE_TIME)


def _interval_kwh(channel: Channel, starts: Seconds, values: Values, interval_s: int) -> Values:
    """Energy of each interval [kWh]; NaN where a register was not read just before too."""
    if channel.reads != "counter":
        return values * channel.factor
    energy, span_s = interval_energy(starts, values, interval_s=interval_s)
    return np.where(span_s == interval_s, energy * channel.factor, np.nan)


def _ratio(power: tuple[Seconds, Values], energy: tuple[Seconds, Values], interval_s: int) -> float | None:
    """Energy by power to energy as counted, over the intervals that have both; None when there is next to none."""
    _, left, right = np.intersect1d(power[0], energy[0], return_indices=True)
    watts, counted = np.maximum(power[1][left], 0.0), energy[1][right]
    known = ~np.isnan(counted)
    integrated, total = float(watts[known].sum()) * interval_s / 3.6e6, float(counted[known].sum())
    return integrated / total if min(integrated, total) > 0 and max(integrated, total) > _TELLING_KWH else None


def _suspect(channel: Channel, *, too_much: bool) -> str:
    other = {"kW": "W", "kWh": "Wh"} if too_much else {"W": "kW", "Wh": "kWh"}
    unit = other.get(channel.unit)
    if unit is None:
        return f"the unit {channel.unit}, interval_minutes or reads is wrong"
    return f"is the unit {unit} and not {channel.unit}?"


def _fall(look: Evidence, starts: Seconds, values: Values, place: int) -> str:
    at = datetime.fromtimestamp(int(starts[place]) + look.interval_s, UTC).astimezone(look.site.zone)
    return f"from {values[place - 1]:.10g} to {values[place]:.10g} at {at:%Y-%m-%d %H:%M}"


def _what(channel: Channel) -> str:
    return f"{channel.quantity} of {channel.subject}"
