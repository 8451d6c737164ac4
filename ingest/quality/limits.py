"""What a channel may read: limits by quantity, and by rating where there is one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

from ingest.quantities import UNITS
from ingest.readings import Channel

# The limits for powers are -0.01 and 1.02 of the rating; inverters of homes read up to 4 per cent off, and take some
# watts at night, however small they are.
_AC_LOW, _AC_HIGH, _NIGHT_W = -0.01, 1.02 * 1.04, 30.0
# Strings go beyond their nameplate when they are cold and clouds brighten the sky.
_DC_LOW, _DC_HIGH = -0.02, 1.5
_STEP = 0.80
_HIGH_POWER = 0.05


@dataclass(frozen=True, slots=True)
class Rating:
    """Nameplate values that limits hang on; None where nothing is known.

    `tops_w` are powers at which a channel may well stand still (a rating, an export limit). `takes` is true where
    power may flow backwards (a battery behind the inverter). `held` is true where electronics hold the voltage.
    """

    power_w: float | None = None
    voltage_v: float | None = None  # the highest that there can be
    current_a: float | None = None  # of one chain of modules
    chains: int = 1  # the most that could be in parallel
    tops_w: tuple[float, ...] = ()
    takes: bool = False
    held: bool = False


@dataclass(frozen=True, slots=True)
class Limits:
    """What a channel may read, in its unit as recorded (energies of an interval: per hour).

    `low` and `high` bound it. A rise by more than `step` that comes back at once is a spike, and with `falls` a fall
    is one, too. Above `floor` it is expected to move: with `runs` it is stuck when it does not for a while, with
    `whole_days` dead when it does not all day. A `lively` channel is one whose standing still along with others tells
    of a logger that repeats itself. `tops` are levels at which it may stand still.
    """

    low: float = -inf
    high: float = inf
    step: float = inf
    falls: bool = False
    floor: float = inf
    runs: bool = False
    whole_days: bool = False
    lively: bool = False
    tops: tuple[float, ...] = ()


_IRRADIANCE = Limits(-6.0, 1500.0, step=800.0, floor=5.0, runs=True, whole_days=True, lively=True)
_FIXED: dict[str, Limits] = {
    "irradiance_poa": _IRRADIANCE,
    "irradiance_ghi": _IRRADIANCE,
    "irradiance_dni": _IRRADIANCE,
    "irradiance_dhi": _IRRADIANCE,
    "temperature_air": Limits(-30.0, 50.0, step=4.0, falls=True, floor=-inf, whole_days=True),
    "temperature_module": Limits(-40.0, 110.0, floor=-inf, whole_days=True),
    "wind_speed": Limits(0.0, 32.0),
    "ac_voltage": Limits(0.0, 520.0, lively=True),
    "ac_frequency": Limits(0.0, 70.0),
    "battery_soc": Limits(0.0, 100.0),
}
_SHORT_S = 900  # a step of 4 K within an hour is weather


def limits_for(channel: Channel, rating: Rating, *, interval_s: int) -> Limits | None:
    """Limits of a channel; None where nothing can be said about it.

    Parameters
    ----------
    channel : Channel
        A state or the energy of an interval. Counters have no limits here: see `ingest.counters`.
    rating : Rating
        Nameplate of the channel's subject.
    interval_s : int
        Length of an interval as declared [s].

    Notes
    -----
    Limits after the data-quality rules of IEC 61724-1 and -3 (from memory): irradiance -6 to 1500 W/m2 with steps up
    to 800; air -30 to 50 degC, steps up to 4 K; wind up to 32 m/s (a calm is weather, not a fault); power -1 to 102
    per cent of the rating, here with the tolerance of home inverters, steps up to 80 per cent. Falls of power that
    come back are no spikes: that is how a grid trip looks.
    """
    if channel.reads == "counter":
        return None
    fixed = _FIXED.get(channel.quantity)
    if fixed is not None:
        calm = channel.quantity == "temperature_air" and interval_s > _SHORT_S
        return replace(fixed, step=inf) if calm else fixed
    if channel.quantity == "dc_voltage":
        high = inf if rating.voltage_v is None else rating.voltage_v
        return Limits(-0.02 * high, high, floor=0.0, whole_days=not rating.held, lively=True)
    if channel.quantity == "dc_current":
        if rating.current_a is None:
            return Limits(lively=True)
        high = _DC_HIGH * rating.chains * rating.current_a
        floor = _HIGH_POWER * rating.current_a
        return Limits(_DC_LOW * high, high, floor=floor, runs=True, whole_days=True, lively=True)
    return _power_limits(channel, rating)


def _power_limits(channel: Channel, rating: Rating) -> Limits | None:
    if rating.power_w is None or channel.quantity not in ("dc_power", "ac_power", "ac_energy"):
        return None
    dc = channel.quantity == "dc_power"
    low, high = (_DC_LOW, _DC_HIGH) if dc else (min(_AC_LOW, -_NIGHT_W / rating.power_w), _AC_HIGH)
    # A kWh in an hour is a kW: the factor of an energy's unit is to kWh, that of a power's to W.
    per_unit = 1000.0 * channel.factor if channel.reads == "interval" else UNITS[channel.unit].factor
    rated = rating.power_w / per_unit
    return Limits(
        (-high if rating.takes else low) * rated,
        high * rated,
        step=_STEP * rated,
        floor=_HIGH_POWER * rated,
        runs=True,
        whole_days=True,
        lively=True,
        tops=tuple(top / per_unit for top in rating.tops_w),
    )
