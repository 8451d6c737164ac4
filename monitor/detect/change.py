"""Has a series of daily log ratios dropped for good? A change-point test that knows noise, memory and slow wander."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import median_filter

from ingest.readings import Mask, Seconds, Values
from monitor.model.middle import median

Shape = Literal["step", "ramp"]

# Days before a change that its level is compared with, at most and at least; and days after it.
MOST_BEFORE, _LEAST_BEFORE, _MOST_AFTER = 120, 30, 120
# Values this many sigmas off their neighbours count as if they were just so far off.
_HUBER = 3.0
_SMOOTHED_OVER = 15
# A month's wander is learned from blocks of so many days; the prior counts as so many blocks.
_BLOCK, _PRIOR_BLOCKS = 14, 6.0
_PRIOR_DAYS = 15.0
_MONTH = 30.0
# Levels wander like a random walk, but not without bounds: over a season at most so many months' worth.
_MOST_MONTHS = 6.0
_MOST_RHO = 0.8
# A drop that stands out of the scatter must show on nearly all days; the days of a ramp lie below half of its mean for
# three quarters of its time.
_PLAIN, _LASTING_SHARE = 2.0, 0.7
# A change of so many sigmas is worth asking whether it came at once.
_WORTH_A_SHAPE = 3.0
# How much likelier (in log units) a ramp must be than a step to be called one.
_RAMP_BETTER = 3.0


@dataclass(frozen=True, slots=True)
class Prior:
    """What is expected of a kind of series before it has shown itself, natural log units.

    `sigma` is a day's scatter, `rho` its correlation with the day before, `wander` how much the level moves in a
    month; `least` the scatter below which no series is believed to be.
    """

    sigma: float
    wander: float
    least: float
    rho: float = 0.3


@dataclass(frozen=True, slots=True)
class Noise:
    """Scatter of a day, its correlation with the day before, and wander of the level in a month."""

    sigma: float
    rho: float
    wander: float

    def variance(self, before: Values, after: Values, months: Values) -> Values:
        """Variance of the difference of two means over so many days, their middles so many months apart."""
        memory = (1.0 + self.rho) / (1.0 - self.rho)
        sampling = self.sigma**2 * (np.minimum(memory / before, 1.0) + np.minimum(memory / after, 1.0))
        return np.asarray(sampling + self.wander**2 * np.minimum(months, _MOST_MONTHS))

    @property
    def reach(self) -> int:
        """Over how many days before a change its level is best told: the mean of more is staler than it is surer.

        The least variance of a mean of b days with memory, half of b further away: sigma^2 m / b + wander^2 b / 60.
        """
        memory = (1.0 + self.rho) / (1.0 - self.rho)
        best = self.sigma * np.sqrt(2.0 * _MONTH * memory) / max(self.wander, 1e-9)
        return int(np.clip(best, _LEAST_BEFORE, MOST_BEFORE))


@dataclass(frozen=True, slots=True)
class Drop:
    """A lasting change for the worse.

    `since` is the day ordinal from which it shows, `size` the change of the level (negative, log units; the latest
    level of a ramp), `sigma` its uncertainty, `strength` the change in sigmas, `reference` the level before.
    """

    since: int
    size: float
    sigma: float
    strength: float
    shape: Shape
    reference: float
    days_after: int
    noise: Noise

    @property
    def mean_size(self) -> float:
        """The change on the mean over the days since it began: half of a ramp's latest level."""
        return 0.5 * self.size if self.shape == "ramp" else self.size

    @property
    def loss_fraction(self) -> float:
        """Share of what would have been there that is lost, 0 to 1."""
        return 1.0 - float(np.exp(self.size))


def learn_noise(days: Seconds, values: Values, prior: Prior) -> Noise:
    """Scatter, memory and wander of a series, drawn towards what its kind is expected to have.

    Parameters
    ----------
    days : array of shape (N,)
        Day ordinals, increasing.
    values : array of shape (N,)
        Log ratios of those days; healthy days only.
    prior : Prior
        Counts as much as fifteen days, and for the wander as six blocks of fourteen days.

    Returns
    -------
    Noise

    Notes
    -----
    The scatter is the median absolute deviation from a running median (1.4826 MAD, consistent for a normal
    distribution); memory is the lag-one correlation of days that follow each other; the wander is the root mean
    square of the change between successive block means beyond what the scatter explains.
    """
    if values.size < 3:
        return Noise(prior.sigma, prior.rho, prior.wander)
    smooth = _running_median(values)
    off = values - smooth
    spread = 1.4826 * median(np.abs(off - median(off))) * _median_loss(values.size)
    weight = values.size / (values.size + _PRIOR_DAYS)
    sigma = max(float(np.sqrt(weight * spread**2 + (1.0 - weight) * prior.sigma**2)), prior.least)
    clipped = np.clip(off, -_HUBER * sigma, _HUBER * sigma)
    next_to = np.diff(days) <= 2
    power = float(np.sum(clipped**2))
    lag = float(np.sum((clipped[1:] * clipped[:-1])[next_to])) / power if power > 0.0 else 0.0
    rho = float(np.clip(weight * max(lag, 0.0) + (1.0 - weight) * prior.rho, 0.0, _MOST_RHO))
    return Noise(sigma, rho, _wander(days, values, sigma, rho, prior))


def find_drop(
    days: Seconds,
    values: Values,
    prior: Prior,
    *,
    least_before: int = 20,
    least_after: int = 5,
    learn: Mask | None = None,
) -> Drop | None:
    """Find the likeliest lasting drop of a series and say how sure it is; None where too little is known.

    Parameters
    ----------
    days : array of shape (N,)
        Day ordinals, increasing.
    values : array of shape (N,)
        Log ratios, negative is worse.
    prior : Prior
        What is expected of this kind of series.
    least_before, least_after : int
        Usable days that must lie on either side.
    learn : boolean array of shape (N,), optional
        Days from which level and noise may be learned (no open finding).

    Returns
    -------
    Drop or None
        Whether it is a drop at all is for the caller to judge by `strength` and `size`.

    Notes
    -----
    Generalised likelihood ratio of a change of the mean at an unknown day (Basseville and Nikiforov, Detection of
    Abrupt Changes, 1993, section 2.4), values beyond three sigmas of their neighbours drawn in (Huber). The variance
    of the difference has, beside the scatter inflated for its memory, a term for the slow wander of healthy series:
    without it the seasons would raise alarms, and the likeliest day would lie between two of them. Days after the
    change are never used to learn its noise.
    """
    size = values.size
    usable = np.ones(size, dtype=bool) if learn is None else learn
    if size < least_before + least_after or not _worth_a_look(values, usable, prior, least_after):
        return None
    drawn = _drawn_in(values, prior)
    at = np.arange(least_before, size - least_after + 1)
    known = usable[:-least_after]
    about = learn_noise(days[:-least_after][known], values[:-least_after][known], prior)
    before, count_before, middle_before = _means_before(days, drawn, usable, at, about.reach)
    after, count_after, middle_after = _means_after(days, drawn, at)
    enough = count_before >= least_before
    if not enough.any():
        return None
    at, before, after = at[enough], before[enough], after[enough]
    count_before, count_after = count_before[enough], count_after[enough]
    months = (middle_after[enough] - middle_before[enough]) / _MONTH
    change = after - before
    gain = np.where(change < 0.0, change**2 / about.variance(count_before, count_after, months), 0.0)
    best = int(np.argmax(gain))
    if gain[best] <= 0.0:
        return None
    split = int(at[best])
    healthy = usable[:split]
    noise = learn_noise(days[:split][healthy], values[:split][healthy], prior)
    sigma = float(np.sqrt(noise.variance(count_before[best], count_after[best], months[best])))
    reference, drop = float(before[best]), float(change[best])
    if not _lasts(values[split:], reference, drop, noise.sigma):
        return None
    ramp = _shape(days, drawn, split, noise) if -drop > _WORTH_A_SHAPE * sigma else None
    shape, since, latest, level = ramp or ("step", int(days[split]), drop, reference)
    return Drop(since, latest, sigma, -drop / sigma, shape, level, size - split, noise)


def _worth_a_look(values: Values, usable: Mask, prior: Prior, least_after: int) -> bool:
    """Whether the last days lie low at all: most nights of most series end here."""
    before = values[:-least_after][usable[:-least_after]][-MOST_BEFORE:]
    low = median(values[-least_after:])
    return before.size > 0 and low < median(before) - 0.5 * max(prior.least, prior.wander)


def _lasts(after: Values, reference: float, drop: float, sigma: float) -> bool:
    """Whether the days after lie low one by one, not just on the mean; of a drop within the scatter nobody can tell."""
    return -drop < _PLAIN * sigma or float(np.mean(after < reference + 0.5 * drop)) >= _LASTING_SHARE


def recovered(days: Seconds, values: Values, *, reference: float, size: float, over: int = 5) -> bool | None:
    """Whether a series is back: its last days lie above half of the drop; None with fewer days than that.

    `reference` is the level before the drop, `size` its (negative) change, log units.
    """
    if values.size < over:
        return None
    return bool(median(values[-over:]) > reference + 0.5 * size)


def _wander(days: Seconds, values: Values, sigma: float, rho: float, prior: Prior) -> float:
    """Wander in a month, from the means of blocks of days."""
    blocks = values.size // _BLOCK
    if blocks < 2:
        return prior.wander
    kept = blocks * _BLOCK
    smooth = _running_median(values)
    drawn = smooth + np.clip(values - smooth, -_HUBER * sigma, _HUBER * sigma)
    means = np.mean(drawn[-kept:].reshape(blocks, _BLOCK), axis=1)
    middles = np.mean(days[-kept:].reshape(blocks, _BLOCK), axis=1)
    memory = min((1.0 + rho) / (1.0 - rho) / _BLOCK, 1.0)
    explained = 2.0 * sigma**2 * memory
    months = np.maximum(np.diff(middles) / _MONTH, _BLOCK / _MONTH)
    seen = (np.diff(means) ** 2 - explained) / months
    total = max(float(np.sum(seen)), 0.0) + _PRIOR_BLOCKS * prior.wander**2
    return float(np.sqrt(total / (seen.size + _PRIOR_BLOCKS)))


def _running_median(values: Values) -> Values:
    return np.asarray(median_filter(values, size=min(_SMOOTHED_OVER, values.size), mode="nearest"))


def _median_loss(size: int) -> float:
    """A running median of so few values follows them in part: residuals are smaller than the scatter."""
    return float(1.0 / np.sqrt(1.0 - 1.0 / min(_SMOOTHED_OVER, max(size, 2))))


def _drawn_in(values: Values, prior: Prior) -> Values:
    """Values with those far off their neighbours drawn in."""
    smooth = _running_median(values)
    off = values - smooth
    width = _HUBER * max(1.4826 * median(np.abs(off)), prior.least)
    return np.asarray(smooth + np.clip(off, -width, width))


def _means_before(
    days: Seconds, values: Values, usable: Mask, at: Seconds, reach: int
) -> tuple[Values, Values, Values]:
    """Mean, count and mean day of the usable ones of so many values before each place."""
    first = np.maximum(at - reach, 0)
    sums = [_sums(np.where(usable, part, 0.0)) for part in (values, np.ones(values.size), days.astype(np.float64))]
    total, count, middle = (s[at] - s[first] for s in sums)
    some = np.maximum(count, 1.0)
    return total / some, count, middle / some


def _means_after(days: Seconds, values: Values, at: Seconds) -> tuple[Values, Values, Values]:
    """Mean, count and mean day of the values from each place on."""
    last = np.minimum(at + _MOST_AFTER, values.size)
    sums = [_sums(part) for part in (values, np.ones(values.size), days.astype(np.float64))]
    total, count, middle = (s[last] - s[at] for s in sums)
    return total / count, count, middle / count


def _sums(values: Values) -> Values:
    return np.concatenate([[0.0], np.cumsum(values)])


def _shape(days: Seconds, values: Values, split: int, noise: Noise) -> tuple[Shape, int, float, float] | None:
    """A ramp since when, its latest level below the level before it, and that level; None where a step fits as well.

    A hinge fitted by least squares. The level is that of a season before the split: days right before the likeliest
    split of a ramp are part of the ramp.
    """
    first = max(split - MOST_BEFORE, 0)
    at, level = split - first, float(values[first:split].mean())
    x, y = days[first:].astype(np.float64), values[first:] - level
    step_cost = float(np.sum(y[:at] ** 2) + np.sum((y[at:] - y[at:].mean()) ** 2))
    hinges = np.arange(0, y.size - 3)
    runs = np.maximum(x[None, :] - x[hinges][:, None], 0.0)
    slopes = np.minimum(runs @ y / np.sum(runs**2, axis=1), 0.0)
    costs = np.sum((y[None, :] - slopes[:, None] * runs) ** 2, axis=1)
    best = int(np.argmin(costs))
    memory = (1.0 + noise.rho) / (1.0 - noise.rho)
    if (step_cost - float(costs[best])) / (2.0 * noise.sigma**2 * memory) <= _RAMP_BETTER:
        return None
    return "ramp", int(days[first + hinges[best]]), float(slopes[best] * runs[best, -1]), level
