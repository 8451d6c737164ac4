"""Readings that cannot be trusted: noted night by night, by the subject whose channel they are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from ingest.quality import Mark
from ingest.readings import Mask, Values
from ingest.sources import points_of
from monitor.config.models import String
from monitor.detect.beyond_dc import works_unseen
from monitor.detect.night import SiteNight, UnitNight, heard_share
from monitor.model.grid import STEP_S
from monitor.model.measured import CounterFall

# What can be wrong; a trait holds a kind's place in this list, from 1 on.
KINDS = (
    "unit", "out_of_range", "spikes", "stuck", "mute", "no_voltage", "no_current", "register_stopped", "power_stopped",
    "register_reset", "register_jump",
)  # fmt: skip
_BY_MARK = {
    Mark.UNIT: "unit", Mark.RANGE: "out_of_range", Mark.SPIKE: "spikes", Mark.STUCK: "stuck", Mark.DEAD: "mute",
}  # fmt: skip
# A day's readings are faulty when marks take this part of its expected energy; stray marks are every logger's.
_MUCH = 0.25
# A level that no fault of a roof has: more than all of it, or a tenth that keeps the shape of a cloudless day.
_TOO_MUCH, _TOO_LITTLE = 1.9, 0.11
# Intervals in which a channel is dead beside one that is alive, and hours of full power before a day tells.
_LEAST_INTERVALS, _NEARLY_ALL, _FULL_HOURS = 8, 0.9, 0.7
_ALIVE, _NOTHING, _KNOWN = 0.05, 0.01, 0.95
# A register beyond so many hours of full power is not one that starts anew every day.
_LIFE_LONG_HOURS = 30.0
# Where registers roll over: after four to seven digits, and 16 or 32 bits of whole, tenth, hundredth kWh or Wh [kWh].
_ENDS = (*(10.0**n for n in range(4, 8)), *(2.0**b * r for b in (16, 32) for r in (1.0, 0.1, 0.01, 0.001)))
_LEAST_JUMP_KWH, _FASTEST = 2.0, 1.3


@dataclass(frozen=True, slots=True)
class _Fault:
    kind: str
    level: float  # factor of the unit, kWh of a register, or the share of the day's energy that is touched


def observe_faulty(night: SiteNight) -> dict[str, dict[str, float]]:
    """What is wrong with the readings of strings, inverters and generation meters tonight.

    Traits of each subject, only where something is wrong: `fault` (place in `KINDS`, from 1 on) and `fault_level` (the
    factor of a unit, the kWh of a register's step, or the share of the day's expected energy that is touched). A value
    of zero is never wrong by itself: a dead string, a trip and snow look like that.
    """
    if night.span is None:
        return {}
    seen: dict[str, dict[str, float]] = {}
    for subject, fault in _faults(night):
        seen.setdefault(subject, {"fault": KINDS.index(fault.kind) + 1.0, "fault_level": fault.level})
    return seen


def _faults(night: SiteNight) -> Iterator[tuple[str, _Fault]]:
    """Faults by subject; of several the first one is told."""
    yield from _contradictions(night)
    for inverter in night.site.inverter:
        unit = night.units.get(f"inverter:{inverter.id}")
        if unit is None:
            continue
        meters = [m for m in night.site.meter if m.role == "generation" and m.inverter == inverter.id]
        yield from _marks(night, unit.subject, unit)
        yield from (pair for m in meters for pair in _marks(night, f"meter:{m.id}", unit))
        for subject in (unit.subject, *(f"meter:{m.id}" for m in meters)):
            yield from ((subject, fault) for fault in _of_register(night, subject, unit.rated_w))
            yield from ((subject, fault) for fault in _stopped(night, subject, unit))
    for string in night.site.string:
        unit = night.units.get(f"string:{string.id}")
        if unit is not None:
            yield from ((unit.subject, fault) for fault in _half_dead(night, string, unit))
            yield from _marks(night, unit.subject, unit)
    for subject in night.units:
        level = _jumped(night, subject)
        if level is not None:
            yield subject, _Fault("unit", level)


def _contradictions(night: SiteNight) -> Iterator[tuple[str, _Fault]]:
    """Channels that contradict others of the same energy by a factor of units, or say nothing against them."""
    assert night.span is not None
    for fault in night.span.measured.faults:
        if night.begin <= fault.start < night.end:
            told = fault.factor is not None
            yield fault.subject, _Fault("unit", float(fault.factor or 0.0)) if told else _Fault("mute", 1.0)
    yield from ((subject, _Fault("unit", 1e-3)) for subject in sorted(night.in_thousandths))


def _marks(night: SiteNight, subject: str, unit: UnitNight) -> Iterator[tuple[str, _Fault]]:
    """The mark that takes most of the day's energy."""
    assert night.span is not None
    expected, day = unit.expected.power_w, night.span.days[night.day]
    total = float(np.sum(expected))
    kinds = night.span.measured.marked.get(subject, {})
    if total <= 0.0 or not kinds or not _full_hours(night, expected, unit.rated_w) > 0.2:
        return
    shares = {mark: float(np.sum(expected * share[day])) / total for mark, share in kinds.items()}
    worst = max(shares, key=lambda mark: shares[mark])
    if shares[worst] >= _MUCH:
        yield subject, _Fault(_BY_MARK[worst], shares[worst])


def _jumped(night: SiteNight, subject: str) -> float | None:
    """A level on clear days that is off by a factor of units, as far as only units can explain it."""
    days, factors = night.past.series(subject, "unit")
    clear_days, _ = night.past.series(subject, "level")
    if not days.size or int(days[-1]) != int(clear_days[-1]) or night.day.toordinal() - int(days[-1]) > 7:
        return None
    factor = float(factors[-1])
    return factor if factor > _TOO_MUCH or factor < _TOO_LITTLE else None


def _half_dead(night: SiteNight, string: String, unit: UnitNight) -> Iterator[_Fault]:
    """A voltage column that says nothing beside a current, or a current column that says nothing beside a voltage.

    An empty current says nothing; a zero does only where the inverter delivers what the string must give.
    """
    given = {p.quantity for s in night.site.source for p in points_of(s) if p.of == unit.subject}
    if not given >= {"dc_voltage", "dc_current"} or not night.past.series(unit.subject, "measured_kwh")[0].size:
        return
    empty = np.full(night.starts.shape, np.nan)
    volts, amps = (night.on_grid(unit.subject, quantity) for quantity in ("dc_voltage", "dc_current"))
    volts, amps = empty if volts is None else volts, empty if amps is None else amps
    lit = unit.expected.low_w > _ALIVE * unit.rated_w
    usual_v = string.modules * string.module.vmp_v
    with np.errstate(invalid="ignore"):
        current = lit & (amps > _ALIVE * string.module.imp_a)
        voltage = lit & (volts > 0.3 * usual_v)
        no_volts = np.isnan(volts) | (volts < _NOTHING * usual_v)
    if _mostly(no_volts, current):
        yield _Fault("no_voltage", 1.0)
    elif _mostly(np.isnan(amps), voltage) or (
        _mostly(amps < _NOTHING * string.module.imp_a, voltage) and works_unseen(night, string, lit)
    ):
        yield _Fault("no_current", 1.0)


def _mostly(dead: Mask, where: Mask) -> bool:
    count = int(np.count_nonzero(where))
    return count >= _LEAST_INTERVALS and int(np.count_nonzero(dead & where)) >= _NEARLY_ALL * count


def _stopped(night: SiteNight, subject: str, unit: UnitNight) -> Iterator[_Fault]:
    """Of a power and a register of the same energy one says nothing all day while the other one goes on."""
    power, counted = night.on_grid(subject, "ac_power"), _counted(night, subject)
    # Over a gap a register's energy is spread evenly: that is no reading of that day.
    if power is None or counted is None or np.isnan(counted).mean() > 1.0 - _KNOWN or not _all_heard(night, subject):
        return
    by_register = night.energy_kwh(counted)
    by_power = night.energy_kwh(np.maximum(power, 0.0))
    enough = _FULL_HOURS * unit.rated_w / 1000.0
    # A register of whole kWh may sleep through a dull day.
    if by_power > max(enough, 3.0) and by_register <= _NOTHING * by_power:
        yield _Fault("register_stopped", by_power)
    elif by_register > enough and by_power <= _NOTHING * by_register:
        yield _Fault("power_stopped", by_register)


def _all_heard(night: SiteNight, subject: str) -> bool:
    """Whether every source that tells of a subject was heard for nearly all of the day's light."""
    sources = [s.id for s in night.site.source if any(p.of == subject for p in points_of(s))]
    shares = [heard_share(night, source) for source in sources if source in night.heard]
    return all(share is not None and share >= _NEARLY_ALL for share in shares)


def _of_register(night: SiteNight, subject: str, rated_w: float) -> Iterator[_Fault]:
    """A register that started anew, or counted more than the inverter can make."""
    assert night.span is not None
    for fall in night.span.measured.falls:
        if fall.subject == subject and night.begin < fall.end <= night.end and _is_reset(night, fall, rated_w):
            yield _Fault("register_reset", fall.before_kwh)
    counted = _counted(night, subject)
    if counted is not None and not np.isnan(counted).all():
        beyond = float(np.nanmax(counted) - _FASTEST * rated_w) * STEP_S / 3.6e6
        if beyond > _LEAST_JUMP_KWH:
            yield _Fault("register_jump", beyond)


def _is_reset(night: SiteNight, fall: CounterFall, rated_w: float) -> bool:
    """Whether a fall is none of a register that starts anew each day or month, nor a roll-over at its end."""
    full = rated_w / 1000.0
    if fall.before_kwh < _LIFE_LONG_HOURS * full:
        return False
    at = datetime.fromtimestamp(fall.end, UTC).astimezone(night.site.zone)
    if at.day == 1 and at.hour < 3 and fall.before_kwh < 31 * 12 * full:
        return False
    most = full * ((fall.end - fall.start) / 3600.0 + 1.0)
    return not any(0.0 <= end - fall.before_kwh <= most for end in _ENDS)


def _counted(night: SiteNight, subject: str) -> Values | None:
    assert night.span is not None
    counted = night.span.measured.counted_w.get(subject)
    return None if counted is None else counted[night.span.days[night.day]]


def _full_hours(night: SiteNight, power_w: Values, rated_w: float) -> float:
    return night.energy_kwh(power_w) * 1000.0 / rated_w
