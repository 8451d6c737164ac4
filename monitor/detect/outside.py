"""Units beside what the sky would give, by others and by cloudless hours: the night's log ratios of energies."""

from __future__ import annotations

import numpy as np

from monitor.detect.held import held_back
from monitor.detect.night import SiteNight
from monitor.model.gain import clear_ratio

_LIT_SHARE = 0.05
_LEAST_FULL_HOURS = 0.5
_WHOLE_DAY = 0.75


def observe_outside(night: SiteNight) -> dict[str, dict[str, float]]:
    """Compare strings and inverters with what does not hang on their own roof; natural logarithms.

    - `outside`: measured over expected energy by sensor, weather and neighbours, on days with most of the readings and
      some light, intervals in which the inverter was held back left out;
    - `clear`: measured over cloudless power, at nameplate, in the hours that look cloudless, known shade left out.
    """
    seen: dict[str, dict[str, float]] = {}
    for subject, unit in night.units.items():
        if night.open_physics is not None:
            lit_w = np.where(night.unshaded(subject), unit.power_w, np.nan)
            clear = clear_ratio(lit_w, night.open_physics.clear_w(subject), rated_w=unit.rated_w)
            if clear is not None:
                seen.setdefault(subject, {})["clear"] = float(np.log(clear))
        expected = night.outside_w.get(subject)
        if expected is None:
            continue
        held = held_back(night, _inverter(night, subject))
        with np.errstate(invalid="ignore"):
            lit = (expected > _LIT_SHARE * unit.rated_w) & ~held
        known = lit & ~np.isnan(unit.power_w)
        told, total = float(np.sum(expected[known])), float(np.sum(expected[lit]))
        made = float(np.sum(np.maximum(unit.power_w[known], 0.0)))
        if told < _WHOLE_DAY * total or told * 0.25 < _LEAST_FULL_HOURS * unit.rated_w or made <= 0.0:
            continue
        seen.setdefault(subject, {})["outside"] = float(np.log(made / told))
    return seen


def _inverter(night: SiteNight, subject: str) -> str:
    kind, _, name = subject.partition(":")
    return name if kind == "inverter" else next(s.inverter for s in night.site.string if s.id == name)
