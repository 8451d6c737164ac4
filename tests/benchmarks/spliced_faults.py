"""Faults to splice into a measured series, for `tests.benchmarks.spliced`: what the exports say from a day on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from tests.benchmarks.spliced_series import Series

Power = pd.DataFrame
Splice = Callable[[Series, Power, pd.Timestamp, np.random.Generator], Power]
OUTAGE_DAYS, STUCK_DAYS, GAP_DAYS, RAMP_DAYS = 6, 3, 10, 90
# A new obstruction: so wide, centred so far to the morning of the plane, so far above the sun's path of its first day.
_WIDTH_DEG, _ASIDE_DEG, _ABOVE_DEG = 40.0, 35.0, 8.0
_FINE = "5min"


@dataclass(frozen=True)
class Kind:
    """A kind of fault: causes that name it, for how many days it is watched, what it does; on `s2` of a split roof."""

    name: str
    causes: frozenset[str]
    watched: int
    splice: Splice
    of_a_string: bool = False
    truly_lost: bool = True  # energy that is not made, rather than wrongly told


def kinds() -> list[Kind]:
    """All kinds of faults."""
    weak = frozenset({"underperforming_string"})
    data = frozenset({"data_fault"})
    return [
        Kind("zeros for six days", frozenset({"inverter_outage"}), OUTAGE_DAYS + 21, _outage),
        Kind("step of -8 %", weak, 120, _times(0.92)),
        Kind("step of -15 %", weak, 90, _times(0.85)),
        Kind("step of -30 %", weak, 60, _times(0.70)),
        Kind("ramp to -10 % in 90 days, clean again", frozenset({"soiling"}), RAMP_DAYS + 20, _ramp),
        Kind("new obstruction", frozenset({"shading_growth"}), 120, _obstruction),
        Kind("logger says kW for W", data, 20, _units(1e-3), truly_lost=False),
        Kind("logger says W for kW", data, 20, _units(1e3), truly_lost=False),
        Kind("clock an hour late", frozenset({"clock_error"}), 30, _late, truly_lost=False),
        Kind("a stuck value for three days", data, STUCK_DAYS + 12, _stuck, truly_lost=False),
        Kind("a gap of ten days", frozenset({"missing_data"}), GAP_DAYS + 12, _gap, truly_lost=False),
        Kind("one of two strings dead", frozenset({"failed_string"}), 21, _string(0.0), of_a_string=True),
        Kind("one of two strings at -3.3 %", weak, 120, _string(1.0 - 1.0 / 30.0), of_a_string=True),
        Kind("one of two strings at -10 %", weak, 60, _string(0.9), of_a_string=True),
        Kind(
            "one of two strings dead on random days", frozenset({"failed_string"}) | weak, 60, _now_and_then,
            of_a_string=True,
        ),
        Kind("new obstruction before one of two strings", frozenset({"shading_growth"}), 120, _half_shaded,
             of_a_string=True),
    ]  # fmt: skip


def _outage(_: Series, power: Power, day: pd.Timestamp, __: np.random.Generator) -> Power:
    out = (power.index >= day) & (power.index < day + pd.Timedelta(days=OUTAGE_DAYS))
    return power.mask(out[:, None] & (power > 0.0).to_numpy(), 0.0)


def _times(factor: float) -> Splice:
    def splice(_: Series, power: Power, __: pd.Timestamp, ___: np.random.Generator) -> Power:
        return power * factor

    return splice


def _ramp(_: Series, power: Power, day: pd.Timestamp, __: np.random.Generator) -> Power:
    since = np.asarray((power.index - day) / pd.Timedelta(days=1))
    return power.mul(np.where(since < RAMP_DAYS, 1.0 - 0.10 * since / RAMP_DAYS, 1.0), axis=0)


def _units(factor: float) -> Splice:
    def splice(_: Series, power: Power, __: pd.Timestamp, ___: np.random.Generator) -> Power:
        return power * factor

    return splice


def _late(_: Series, power: Power, __: pd.Timestamp, ___: np.random.Generator) -> Power:
    return power.set_axis(power.index + pd.Timedelta(hours=1))


def _stuck(series: Series, power: Power, day: pd.Timestamp, _: np.random.Generator) -> Power:
    """The logger repeats what it read first on a bright enough moment of that day."""
    today = power[power.index < day + pd.Timedelta(days=1)]
    level = today["ac"] > 0.1 * float(str(series.site["rated_ac"]))
    begin = today.index[int(np.argmax(level.to_numpy()))] if level.any() else day + pd.Timedelta(hours=12)
    out = (power.index >= begin) & (power.index < begin + pd.Timedelta(days=STUCK_DAYS))
    stuck = power.copy()
    stuck.loc[out] = power.loc[begin].to_numpy()
    return stuck


def _gap(_: Series, power: Power, day: pd.Timestamp, __: np.random.Generator) -> Power:
    return power[power.index >= day + pd.Timedelta(days=GAP_DAYS)]


def _string(factor: float) -> Splice:
    def splice(_: Series, power: Power, __: pd.Timestamp, ___: np.random.Generator) -> Power:
        return _with_string(power, np.full(len(power), factor))

    return splice


def _now_and_then(_: Series, power: Power, day: pd.Timestamp, rng: np.random.Generator) -> Power:
    """Dead on two days of five, the first among them."""
    since = np.asarray((power.index - day) // pd.Timedelta(days=1), np.int64)
    dead = rng.random(int(since.max()) + 1) < 0.4
    dead[0] = True
    return _with_string(power, np.where(dead[since], 0.0, 1.0))


def _with_string(power: Power, factor: np.ndarray) -> Power:
    """The second string times a factor; the inverter's power follows by its share."""
    whole = power["s1"] + power["s2"]
    left = (power["s1"] + power["s2"] * factor) / whole.where(whole > 0.0, np.nan)
    return power.assign(s2=power["s2"] * factor, ac=power["ac"] * left.fillna(1.0))


def _obstruction(series: Series, power: Power, day: pd.Timestamp, _: np.random.Generator) -> Power:
    return power.mul(1.0 - hidden_share(series, power.index, day), axis=0)


def _half_shaded(series: Series, power: Power, day: pd.Timestamp, _: np.random.Generator) -> Power:
    return _with_string(power, 1.0 - hidden_share(series, power.index, day))


def hidden_share(series: Series, at: pd.Index, day: pd.Timestamp) -> np.ndarray:
    """Share of the power that comes straight from the sun while that stands behind the new obstruction.

    The beam's part by Erbs from the measured level irradiance, or, where nobody measured it, from the power beside a
    cloudless sky's; the sun's place every five minutes.
    """
    lat, lon, tilt, facing = (float(str(series.site[k])) for k in ("latitude", "longitude", "tilt", "azimuth"))
    step = pd.Timedelta(minutes=int(str(series.site["minutes"])))
    fine = pd.date_range(at[0], at[-1] + step, freq=_FINE, inclusive="left") + pd.Timedelta(_FINE) / 2
    spot = pvlib.location.Location(lat, lon, altitude=float(str(series.site["altitude"])))
    sun = spot.get_solarposition(fine)
    clear = spot.get_clearsky(fine, solar_position=sun)
    ghi = _level_light(series, at, fine, step, clear, sun, (tilt, facing))
    parts = pvlib.irradiance.erbs(ghi, sun["zenith"], fine)
    plane = pvlib.irradiance.get_total_irradiance(
        tilt, facing, sun["apparent_zenith"], sun["azimuth"], parts["dni"], ghi, parts["dhi"]
    )
    centre = facing + (-_ASIDE_DEG if lat > 0.0 else _ASIDE_DEG)
    beside = np.abs((sun["azimuth"] - centre + 180.0) % 360.0 - 180.0)
    first = (fine < day + pd.Timedelta(days=1)) & (sun["elevation"] > 0.0).to_numpy()
    top = float(np.interp(0.0, *_path(beside[first], sun["elevation"][first]))) + _ABOVE_DEG
    hidden = ((beside < _WIDTH_DEG / 2.0) & (sun["elevation"] < top)).to_numpy()
    lost = plane["poa_direct"].fillna(0.0).clip(lower=0.0) * hidden
    begin = pd.DatetimeIndex(at)[np.clip(np.searchsorted(at, fine, side="right") - 1, 0, len(at) - 1)]
    sums = pd.DataFrame({"lost": lost.to_numpy(), "all": plane["poa_global"].fillna(0.0).to_numpy()}).groupby(begin)
    total = sums.sum().reindex(at).fillna(0.0)
    return (total["lost"] / total["all"].where(total["all"] > 1.0, np.inf)).to_numpy()


def _path(beside: pd.Series, elevation: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(beside.to_numpy())
    return beside.to_numpy()[order], elevation.to_numpy()[order]


def _level_light(
    series: Series, at: pd.Index, fine: pd.DatetimeIndex, step: pd.Timedelta, clear: pd.DataFrame, sun: pd.DataFrame,
    plane: tuple[float, float],
) -> pd.Series:  # fmt: skip
    """Global horizontal irradiance, cloudless shape within an interval."""
    if series.sky is not None:
        known, source = series.sky["ghi"], clear["ghi"]
    else:
        best = pvlib.irradiance.get_total_irradiance(
            *plane, sun["apparent_zenith"], sun["azimuth"], clear["dni"], clear["ghi"], clear["dhi"]
        )["poa_global"]
        scale = 1000.0 * series.power["ac"].quantile(0.999) ** -1
        known, source = series.power["ac"].clip(lower=0.0).reindex(at) * scale, best
    # Means of the known intervals beside those of the cloudless sky give an index for each.
    width = pd.Timedelta(known.index[1] - known.index[0])
    begin = known.index[np.clip(np.searchsorted(known.index, fine, side="right") - 1, 0, len(known) - 1)]
    cloudless = source.groupby(begin).mean()
    index = (known.reindex(cloudless.index) / cloudless.where(cloudless > 20.0, np.nan)).clip(0.0, 1.1)
    near = np.asarray(fine - begin < max(width, step) + pd.Timedelta(_FINE))
    return clear["ghi"] * np.where(near, index.reindex(begin).fillna(0.0).to_numpy(), 0.0)
