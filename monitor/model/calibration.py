"""How wide the stated ranges have to be, learned from how earlier nights' expectations came out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Values

# The 80 % point of a normal distribution's size, in standard deviations.
Z80 = 1.2816
# A planning value counts as much as so many days of experience.
_PRIOR_DAYS = 10.0
# Days in a row are alike: so many tell as much as one, and the finite-sample level of the quantile counts those.
_ALIKE_DAYS = 3.0
_NARROWEST, _WIDEST = 0.2, 5.0
# Dull, mixed and bright days by their expected energy over that of a cloudless day: relative errors grow with clouds.
_CLASS_EDGES = (0.35, 0.7)


@dataclass(frozen=True, slots=True)
class Outcomes:
    """How D past days came out, shape (D,): ln(measured/expected) over the stated sigma, and how clear it should be."""

    deviation: Values
    clearness: Values


def widening(outcomes: Outcomes | None, clearness: float) -> float:
    """Factor on a stated relative sigma, so that 80 % of days like this one fall within their range.

    Parameters
    ----------
    outcomes : Outcomes, optional
        Days of the same subject and source of irradiation, without an open finding.
    clearness : float
        Expected energy of the day in question over its cloudless energy.

    Returns
    -------
    float
        1 where there is no experience. The 80 % quantile of the deviations' size over that of a normal distribution,
        drawn towards the factor of all days (and that towards 1) with the weight of ten days: a split conformal
        range (Lei et al., J. Am. Stat. Assoc. 113 (2018) 1094, doi 10.1080/01621459.2017.1307116) with a prior.
    """
    if outcomes is None:
        return 1.0
    sizes = np.abs(outcomes.deviation)
    alike = _class_of(outcomes.clearness) == _class_of(np.array(clearness))
    overall = _drawn(sizes, 0.0)
    return float(np.clip(np.exp(_drawn(sizes[alike], overall)), _NARROWEST, _WIDEST))


def _drawn(sizes: Values, prior: float) -> float:
    """Log factor of some days, drawn towards a prior."""
    if not sizes.size:
        return prior
    level = min(0.8 * (1.0 + _ALIKE_DAYS / sizes.size), 1.0)
    at = round(level * (sizes.size - 1))
    own = float(np.log(max(np.partition(sizes, at)[at], 1e-3) / Z80))
    return (sizes.size * own + _PRIOR_DAYS * prior) / (sizes.size + _PRIOR_DAYS)


def _class_of(clearness: Values) -> npt.NDArray[np.intp]:
    return np.asarray(np.searchsorted(_CLASS_EDGES, clearness))
