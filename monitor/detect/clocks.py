"""What the readings of each source tell about its clock: noted night by night."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ingest.quality import clock_shift_s
from ingest.readings import Values
from monitor.detect.night import SiteNight
from monitor.detect.told import told_by
from monitor.model.grid import STEP_S
from monitor.model.middle import median

# At work: this part of the rating. The diffuse light of a low sun gives it on a shaded roof, too.
_AWAKE = 0.01
# Between the first and the last power of a day so many readings have to be there, over so many hours.
_LEAST_KNOWN, _LEAST_SPAN_S = 0.8, 3 * 3600


def observe_clocks(night: SiteNight) -> dict[str, dict[str, float]]:
    """How late each source's readings are stamped, by the sun.

    Traits of `source:ID`, in seconds, positive when the stamps are late; each is the middle one of the inverters and
    generation meters (or else strings) whose power the source tells:

    - `late_s`: centroid of a cloudless day's power after that of the model (see `clock_shift_s`); clear days only.
    - `first_s`, `last_s`: first and last power of the day after the model's cloudless ones; any day. Clouds and
      obstructions move the first one later or the last one earlier, a clock moves both the same way.
    """
    if night.physics is None:
        return {}
    seen: dict[str, dict[str, float]] = {}
    for source, subjects in told_by(night.site).items():
        late, first, last = [], [], []
        # Strings tell the same as their inverter, in parts.
        whole = tuple(s for s in subjects if not s.startswith("string:"))
        for power, clear, rated in _powers(night, whole or subjects):
            shift = clock_shift_s(power, clear, night.starts)
            if shift is not None:
                late.append(shift)
            ends = _ends(power, clear, rated)
            if ends is not None:
                first.append(ends[0])
                last.append(ends[1])
        traits = {"late_s": late, "first_s": first, "last_s": last}
        known = {name: median(values) for name, values in traits.items() if values}
        if known:
            seen[f"source:{source}"] = known
    return seen


def _powers(night: SiteNight, subjects: tuple[str, ...]) -> Iterator[tuple[Values, Values, float]]:
    """Measured power, cloudless power and rating of the units among some subjects."""
    assert night.physics is not None
    wired = {f"meter:{m.id}": f"inverter:{m.inverter}" for m in night.site.meter}
    for subject in subjects:
        unit = night.units.get(wired.get(subject, subject))
        power = night.meters_w.get(subject) if subject in wired else None if unit is None else unit.power_w
        if unit is not None and power is not None:
            yield power, night.physics.clear_w(unit.subject), unit.rated_w


def _ends(power_w: Values, clear_w: Values, rated_w: float) -> tuple[float, float] | None:
    """First and last power after the model's [s]; None on a day that was hardly one, or with gaps."""
    limit = _AWAKE * rated_w
    with np.errstate(invalid="ignore"):
        awake, model = np.flatnonzero(power_w > limit), np.flatnonzero(clear_w > limit)
    if not awake.size or not model.size or (awake[-1] - awake[0]) * STEP_S < _LEAST_SPAN_S:
        return None
    known = ~np.isnan(power_w[awake[0] : awake[-1] + 1])
    if np.count_nonzero(known) < _LEAST_KNOWN * known.size:
        return None
    return _crossing(power_w, awake[0], -1, limit) - _crossing(clear_w, model[0], -1, limit), _crossing(
        power_w, awake[-1], 1, limit
    ) - _crossing(clear_w, model[-1], 1, limit)


def _crossing(power_w: Values, at: int, towards: int, limit: float) -> float:
    """When a power crosses a limit between one interval and the dark one beside it [s from the grid's start]."""
    beside = at + towards
    dark = power_w[beside] if 0 <= beside < power_w.size else 0.0
    dark = 0.0 if np.isnan(dark) else max(float(dark), 0.0)
    part = (limit - dark) / max(float(power_w[at]) - dark, 1e-9)
    return float(beside - towards * part) * STEP_S
