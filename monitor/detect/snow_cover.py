"""May snow lie on a roof? By the air of today and of the days before, and by whether the roof has worked since."""

from __future__ import annotations

import numpy as np

from monitor.detect.night import SiteNight, UnitNight
from monitor.model.dayview import DayView
from monitor.model.history import SiteHistory
from monitor.model.power import climatological_air_temperature

# Snow may lie when the day's mean is below this; where nobody measures, when a cold day of the season would be.
_SNOW_BELOW_C = 3.0
_COLD_DAY_BELOW_USUAL_C = 7.0
# Half of what falls is snow at about 1 degree in the air (Jennings et al., Nature Communications 9 (2018) 1148).
_FALLS_BELOW_C = 1.5
# A good fall of 10 cm melts within 2.5 degree days (4 mm of water a degree day, the middle of the usual range); what
# several cold days may have brought adds up to a thick cover.
_FALL_DEGREE_DAYS, _COVER_DEGREE_DAYS = 2.5, 15.0
# Nights without an air temperature after which nothing is known of the cover any more.
_FORGOTTEN_DAYS = 10
# A roof that makes less than this share of what a cloudless sky would give lies under snow or in the darkest fog.
_DIM_SHARE = 0.03
# One of which every unit makes more than this is free of it.
_FREE_SHARE = 0.15


def mean_air(view: DayView) -> float | None:
    """Mean measured air temperature of the day [degC]; None where nobody measures it."""
    measured = view.span.measured.weather.get("temperature_air")
    day = view.part(measured) if measured is not None else np.array([np.nan])
    return None if np.isnan(day).all() else float(np.nanmean(day))


def cover_left(view: DayView, history: SiteHistory) -> float | None:
    """Degree days that would still melt all the snow that may lie this evening; None where nobody measures the air.

    A cover that may have been there last night has melted by today's mean above zero; a day cold enough for snow may
    have brought more. Whether snow fell at all is not known.
    """
    air = mean_air(view)
    if air is None:
        return None
    days, before = history.series("site", "snow_left")
    known = days.size > 0 and view.day.toordinal() - int(days[-1]) <= _FORGOTTEN_DAYS
    left = max((float(before[-1]) if known else 0.0) - max(air, 0.0), 0.0)
    return min(left + _FALL_DEGREE_DAYS, _COVER_DEGREE_DAYS) if air < _FALLS_BELOW_C else left


def snow_possible(view: DayView, history: SiteHistory) -> bool:
    """Whether snow may lie on a roof.

    By the day's air and by what has not melted yet; where nobody measures, by a cold day of the season.
    """
    air, left = mean_air(view), cover_left(view, history)
    if air is not None and left is not None:
        return air < _SNOW_BELOW_C or left > 0.0
    place = view.site.site
    usual = climatological_air_temperature(
        view.physics.starts.astype(np.float64), latitude=place.latitude, longitude=place.longitude
    )
    return float(np.mean(usual)) - _COLD_DAY_BELOW_USUAL_C < _SNOW_BELOW_C


def observe_snow(night: SiteNight) -> dict[str, dict[str, float]]:
    """Trait `snow_left` of the site [degree days]: what may lie after today, hardly any once all units have worked."""
    if night.snow_left is None:
        return {}
    free = all(_made_kwh(night, unit) > _FREE_SHARE * clear_kwh(night, unit) for unit in night.units.values())
    # What fell in the evening of a day that worked is not known of.
    return {"site": {"snow_left": min(night.snow_left, _FALL_DEGREE_DAYS) if free else night.snow_left}}


def clear_kwh(night: SiteNight, unit: UnitNight) -> float:
    """Energy that a unit would make under a cloudless sky while it is heard, by its learned gain [kWh]."""
    if night.physics is None:
        return 0.0
    gain = night.gains[unit.subject].clear_sky if unit.subject in night.gains else 1.0
    return gain * night.energy_kwh(night.physics.clear_w(unit.subject), ~np.isnan(unit.power_w))


def dim(night: SiteNight) -> bool | None:
    """Whether the roof made next to nothing of what a cloudless sky would give; None where the day is not known.

    Beside a roof that seems to stand still, that neighbours are dim, too, tells of snow, or of a sky that nothing can
    be concluded from: either way the expectation that they help to make is no witness.
    """
    units = [u for s, u in night.units.items() if s.startswith("inverter:")]
    clear = sum(clear_kwh(night, u) for u in units)
    made = sum(_made_kwh(night, u) for u in units)
    return made < _DIM_SHARE * clear if clear > 0.0 else None


def _made_kwh(night: SiteNight, unit: UnitNight) -> float:
    return night.energy_kwh(np.maximum(unit.power_w, 0.0))
