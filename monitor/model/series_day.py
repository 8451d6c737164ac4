"""What one day tells of a site's sensor and weather series, for the nights after it."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from ingest.readings import Mask, Values
from monitor.model.dayview import DayView
from monitor.model.gain import PRIOR_SIGMA, clear_cells
from monitor.model.grid import STEP_S
from monitor.model.history import SiteHistory
from monitor.model.physics import CLEAR_NODE
from monitor.model.sensor_check import SensorDay, sensor_features
from monitor.model.weather_series import lateness_s, shaped
from monitor.model.weather_trust import weather_features, weather_standing

# A clear window at another level than the learned one is haze, or something wrong on the roof.
_WITHIN = 0.12
_SAYS = {"believed": 1.0, "not_yet": 0.0, "doubted": -1.0}


def series_features(view: DayView, history: SiteHistory, troubled: Collection[str]) -> dict[str, float | None]:
    """Daily features of the site from which its sensor and weather series are judged; none without such series.

    `history` holds the nights before; `troubled` are units with an open finding: they do not show what is clear.
    """
    names = {rung.name for rung in view.rungs}
    if not names:
        return {}
    clear, own_level = _clear(view, troubled)
    found: dict[str, float | None] = {}
    for rung in view.rungs:
        if rung.name == "weather":
            found |= {"weather_late_s": _lateness(view)} | weather_features(
                rung.index, clear, view.physics.sun.elevation_deg
            )
            found |= weather_standing(history.nights("site"), settled=all(view.gains[s].complete for s in view.power_w))
    if "sensor" in names:
        day = SensorDay(_plane_sensor(view), _repeats(view), clear, own_level)
        found |= sensor_features(day, view.physics, view.site.plane[0].id)
        found["sensor_says"] = _SAYS[view.belief.sensor.verdict]
    return {name: value for name, value in found.items() if value is not None}


def _clear(view: DayView, troubled: Collection[str]) -> tuple[Mask, Values]:
    """What the healthy units with a learned gain show to be clear, and their power over the cloudless one."""
    shape = view.physics.starts.shape
    clear, levels = np.zeros(shape, dtype=bool), [np.full(shape, np.nan)]
    for subject in view.power_w.keys() - set(troubled):
        if view.gains[subject].sigma >= PRIOR_SIGMA:
            continue
        power, cloudless = view.power_w[subject], view.gains[subject].clear_sky * view.physics.clear_w(subject)
        cells = clear_cells(power, cloudless, rated_w=view.span.rated_w(subject), within=_WITHIN)
        clear |= cells
        levels.append(np.divide(power, cloudless, out=np.full(shape, np.nan), where=cells))
    return clear, np.asarray(_median_known(np.stack(levels)))


def _median_known(values: Values) -> Values:
    known = ~np.isnan(values).all(axis=0)
    out = np.full(values.shape[1], np.nan)
    out[known] = np.nanmedian(values[:, known], axis=0)
    return out


def _lateness(view: DayView) -> float | None:
    begin, end = int(view.physics.starts[0]), int(view.physics.starts[-1]) + STEP_S
    found = None
    for series in view.span.measured.series.get("irradiance_ghi", ()):
        found = found or lateness_s(series.between(begin, end), view.physics.clear.ghi, view.physics.starts)
    return found


def _plane_sensor(view: DayView) -> Values:
    begin, end = int(view.physics.starts[0]), int(view.physics.starts[-1]) + STEP_S
    parts = [s.between(begin, end) for s in view.span.measured.series["irradiance_poa"]]
    curve = view.physics.plane_w_m2[view.site.plane[0].id][CLEAR_NODE]
    return shaped(parts, np.asarray(curve), view.physics.starts)


def _repeats(view: DayView) -> float | None:
    """Share of the sensor's daylight readings that repeat the one before; None of fewer than eight."""
    begin, end = int(view.physics.starts[0]), int(view.physics.starts[-1]) + STEP_S
    series = view.span.measured.series["irradiance_poa"][0].between(begin, end)
    at = (series.begins - begin) // STEP_S
    bright = view.physics.plane_w_m2[view.site.plane[0].id][CLEAR_NODE][at] > 50.0
    if np.count_nonzero(bright) < 8:
        return None
    return float(np.mean(np.diff(series.values[bright]) == 0.0))
