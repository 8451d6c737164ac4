"""Units beside what the sky would give, by others and by cloudless hours: the night's log ratios of energies."""

from __future__ import annotations

import numpy as np

from ingest.readings import Mask, Values
from monitor.detect.held import held_back
from monitor.detect.night import SiteNight
from monitor.model.gain import clear_ratio

_LIT_SHARE = 0.05
_LEAST_FULL_HOURS = 0.5
_WHOLE_DAY = 0.75
_AT_NOTHING = 0.02  # what stands still, or tells kilowatts for watts, is not weak
_LEAST_OF_THIRD = 3  # intervals
# A unit that lost a third, or half, still keeps the shape of a cloudless day: such parts of its learned level count.
_LEVELS = (0.45, 1.4)


def observe_outside(night: SiteNight) -> dict[str, dict[str, float]]:
    """Compare strings and inverters with what does not hang on their own roof; natural logarithms.

    - `outside`: measured over expected energy by sensor, weather and neighbours, on days with most of the readings and
      some light, intervals in which the inverter was held back left out; `outside_best`: the best third of its energy;
    - `clear`: measured over cloudless power, at nameplate, in the hours that look cloudless, known shade left out.
    """
    seen: dict[str, dict[str, float]] = {}
    for subject, unit in night.units.items():
        if night.open_physics is not None:
            lit_w = np.where(night.unshaded(subject), unit.power_w, np.nan)
            usual = night.gains[subject].clear_sky if subject in night.gains else 1.0
            clear = clear_ratio(
                lit_w, night.open_physics.clear_w(subject), rated_w=unit.rated_w,
                levels=(_LEVELS[0] * usual, _LEVELS[1] * usual),
            )  # fmt: skip
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
        if told < _WHOLE_DAY * total or told * 0.25 < _LEAST_FULL_HOURS * unit.rated_w or made <= _AT_NOTHING * told:
            continue
        traits = seen.setdefault(subject, {})
        traits["outside"] = float(np.log(made / told))
        best = _best_third(expected, unit.power_w, known)
        if best is not None:
            traits["outside_best"] = best
    return seen


def _best_third(expected_w: Values, power_w: Values, known: Mask) -> float | None:
    """Log ratio of the best third of a day's expected energy; None where a third is not known."""
    light = np.where(known, expected_w, 0.0)
    third = np.minimum(np.floor(3.0 * (np.cumsum(light) - 0.5 * light) / np.sum(light)), 2.0)
    told = [(known & (third == n)) for n in range(3)]
    if min(np.count_nonzero(part) for part in told) < _LEAST_OF_THIRD:
        return None
    made = max(float(np.sum(np.maximum(power_w[part], 0.0)) / np.sum(expected_w[part])) for part in told)
    return float(np.log(made)) if made > 0.0 else None


def _inverter(night: SiteNight, subject: str) -> str:
    kind, _, name = subject.partition(":")
    return name if kind == "inverter" else next(s.inverter for s in night.site.string if s.id == name)
