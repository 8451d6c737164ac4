"""Direct current voltage beside what the light and the cells' temperature stand for: limits raise it, faults do not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.readings import Mask, Values
from monitor.config.models import String
from monitor.detect.night import SiteNight
from monitor.model.middle import median, quantile
from monitor.model.physics import at_index
from monitor.model.power import cell_temperature, climatological_air_temperature

# An inverter that holds a string at 95 % of its power raises its voltage by 7 % (single-diode curve at 800 W/m2);
# a cold or windy day by 2 to 4 %.
RAISED = 0.05
_LIT_SHARE = 0.10
_LEAST_INTERVALS = 6
_REMEMBERED = 60
# So much of the light falls in hours without a limit, at the least.
_UNLIMITED = 0.25


def volts_over_model(night: SiteNight, string: String, air_c: Values) -> Values | None:
    """Natural logarithm of a string's voltage over its modelled one at full power, shape (T,); None where unknown.

    The model is the nameplate's voltage with the temperature coefficient of power, which lies near that of the
    voltage at full power. NaN in weak light, and while the string stands still.
    """
    if night.physics is None or string.module_electronics:
        return None
    volts = night.on_grid(f"string:{string.id}", "dc_voltage")
    if volts is None:
        return None
    plane = at_index(night.physics.plane_w_m2[string.plane], night.index)
    cells = cell_temperature(plane, air_c)
    usual = string.modules * string.module.vmp_v * (1.0 + string.module.gamma_pmp_pct_per_c / 100.0 * (cells - 25.0))
    power = night.units.get(f"string:{string.id}")
    with np.errstate(invalid="ignore", divide="ignore"):
        lit = (plane > _LIT_SHARE * 1000.0) & (volts > 0.0)
        if power is not None:
            lit &= ~(power.power_w < 0.05 * power.expected.power_w)
        return np.where(lit, np.log(volts / usual), np.nan)


def observe_volts(night: SiteNight) -> dict[str, dict[str, float]]:
    """Trait `volt_off` of a string: the lower quarter of its voltage over the modelled one, as a logarithm.

    Limits only raise it, for half of a summer's day on some roofs.
    """
    seen = {}
    air = air_of(night)
    for string in night.site.string:
        over = volts_over_model(night, string, air)
        known = np.zeros(0) if over is None else over[~np.isnan(over)]
        if known.size >= _LEAST_INTERVALS:
            seen[f"string:{string.id}"] = {"volt_off": quantile(known, _UNLIMITED)}
    return seen


def raised(night: SiteNight, strings: Sequence[String]) -> tuple[Mask, int]:
    """Where all strings of some that have a voltage run well above it, shape (T,), and how many these strings are.

    Beside each string's own habit, and beside the lower quarter of the day: a cold day lifts all of it.
    """
    every, never = np.ones(night.starts.shape, dtype=bool), np.zeros(night.starts.shape, dtype=bool)
    count = 0
    air = air_of(night)
    for string in strings:
        over = volts_over_model(night, string, air)
        known = np.zeros(0) if over is None else over[~np.isnan(over)]
        if over is None or not known.size:
            continue
        count += 1
        _, before = night.past.series(f"string:{string.id}", "volt_off")
        usual = median(before[-_REMEMBERED:]) if before.size else 0.0
        with np.errstate(invalid="ignore"):
            every &= over > max(usual, quantile(known, _UNLIMITED)) + RAISED
    return (every if count else never), count


def air_of(night: SiteNight) -> Values:
    """Air temperature over the day as measured, else as usual for the place and season [degC], shape (T,)."""
    place = night.site.site
    rough = climatological_air_temperature(
        night.starts.astype(np.float64), latitude=place.latitude, longitude=place.longitude
    )
    measured = None if night.span is None else night.span.measured.weather.get("temperature_air")
    if measured is None or night.span is None:
        return rough
    air = measured[night.span.days[night.day]]
    return np.where(np.isnan(air), rough, air)
