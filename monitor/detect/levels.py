"""Where a level changed: the likeliest place of a step in a series, beside the scatter that the series has anyway."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Values
from monitor.model.middle import median


@dataclass(frozen=True, slots=True)
class Step:
    """A change of level: index of the first value after it, medians before and after, size in standard errors."""

    at: int
    before: float
    after: float
    sigmas: float

    @property
    def by(self) -> float:
        """How much the level rose."""
        return self.after - self.before


def scatter(values: Values, least: float) -> float:
    """Standard deviation of single values about a level that moves slowly, by their differences; at least `least`."""
    if values.size < 3:
        return least
    return max(1.4826 * median(np.abs(np.diff(values))) / float(np.sqrt(2.0)), least)


def likeliest_step(
    values: Values, *, least_sigma: float, least_before: int, least_after: int, around: int | None = None
) -> Step | None:
    """The likeliest place of a step.

    Parameters
    ----------
    values : array of shape (N,)
        Oldest first.
    least_sigma : float
        Scatter of single values that is taken for granted.
    least_before, least_after : int
        So many values have to lie on either side.
    around : int, optional
        So many values on either side are looked at; all of them where left out.

    Returns
    -------
    Step or None
        None where there are too few values. The step may be of any size; judge it by `sigmas`.
    """
    sigma = scatter(values, least_sigma)
    best: Step | None = None
    for at in range(least_before, values.size - least_after + 1):
        left = values[:at] if around is None else values[max(at - around, 0) : at]
        right = values[at:] if around is None else values[at : at + around]
        before, after = median(left), median(right)
        sigmas = abs(after - before) / (sigma * float(np.sqrt(1.0 / left.size + 1.0 / right.size)))
        if best is None or sigmas > best.sigmas:
            best = Step(at, before, after, sigmas)
    return best
