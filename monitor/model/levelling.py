"""Clear intervals against a plane's curve, with all that else shapes a cloudless day fitted along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.readings import Values
from monitor.model.trial import Trial

Whole = npt.NDArray[np.int64]

# Spread of what every interval has of its own, and of what lasts about two hours (the model's and the sky's errors).
# The second of each pair grows as power falls: there the sky's own light decides, which is known less well.
_OWN, _LASTING, _LASTS_S = (0.005, 0.005), (0.010, 0.012), 7200.0
_LOW_SUN = 0.4  # by how much each more air mass widens both
# Spread from day to day: haze [units of turbidity], level, the air's swing [K], diffuse part.
_DAY_SPREAD = np.array([0.7, 0.015, 1.5, 0.15])
# Spread of what all days share: level (unknown), haze, swing [K], exponent of low light, diffuse part, drift a half
# year.
_SHARED_SPREAD = np.array([10.0, 1.0, 3.0, 0.05, 0.7, 0.03])
# Spread of an orientation that is held to the papers, when another explanation is tried [deg].
_HELD = 3.0
_STEP_DEG = 0.5
_FAINT = 1e-3  # of the nameplate: a plane that lies in the dark is not infinitely unlikely
_BELOW, _ABOVE = 2.0, 3.5  # departures beyond these lose weight [sigma]
_UNIMPORTANT = 1e4
# Two planes: so far apart, the weaker with such a share, and fitting so much better than one.
_APART_DEG, _SHARE, _FAR_BETTER = 35.0, 0.25, 0.35
_MISFIT = 0.042  # of the peak: one plane that fits this well is one plane


@dataclass(frozen=True, slots=True)
class Points:
    """N clear intervals on D days: when, what they made, and where each stands in a (D, M) table (`row`, `column`)."""

    trial: Trial
    times: Values
    power_w: Values
    row: Whole
    column: Whole

    @classmethod
    def of(cls, trial: Trial, times: Values, power_w: Values, day: Whole) -> Points:
        """Number the days and the intervals within; `day` does not fall."""
        _, first, row = np.unique(day, return_index=True, return_inverse=True)
        return cls(trial, times, power_w, row, np.arange(day.size) - first[row])

    @property
    def days(self) -> int:
        """Number of days."""
        return int(self.row[-1]) + 1

    @property
    def peak_w(self) -> float:
        """Highest power."""
        return float(self.power_w.max())

    def table(self, values: Values, fill: float = 0.0) -> Values:
        """Values of shape (N, ...) by day and interval, shape (D, M, ...)."""
        out = np.full((self.days, int(self.column.max()) + 1, *values.shape[1:]), fill)
        out[self.row, self.column] = values
        return out

    def some(self, most: int) -> Points:
        """Every so manyth interval."""
        keep = slice(None, None, max(1, -(-self.power_w.size // most)))
        return Points.of(self.trial.part(keep), self.times[keep], self.power_w[keep], self.row[keep])

    def day_sums(self, values: Values) -> Values:
        """Sums by day, shape (D,)."""
        return np.asarray(np.bincount(self.row, values, self.days), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Curve:
    """Logarithm of a plane's power and how the unknowns move it."""

    log_w: Values
    shared: Values  # (N, 6)
    daily: Values  # (N, 4)


@dataclass(frozen=True, slots=True)
class Levelled:
    """Clear intervals against one orientation, all else fitted.

    `price` is chi squared, `step` the way to a better orientation (east and north part of the tilt vector [deg]) and
    `covariance` its uncertainty; `spread` is chi squared over its expectation once the step is made, `weights` (N,)
    what each interval counts from here on, `root` the Cholesky factor of its errors, day by day.
    """

    price: float
    step: Values
    covariance: Values
    spread: float
    weights: Values
    scale: float
    residual: float
    root: Values


def level(points: Points, orientation: tuple[float, float], weights: Values) -> Levelled:
    """Fit everything but the orientation, and find the step to a better one."""
    curve = _curve(points, orientation)
    root = _root(points, curve, weights)
    rest = np.log(points.power_w) - curve.log_w
    columns = np.column_stack([curve.shared, _gradient(points, orientation, curve)])
    white = np.linalg.solve(root, points.table(np.column_stack([columns, rest])))
    a, r = white[..., :-1].reshape(-1, columns.shape[1]), white[..., -1].ravel()
    prior = np.diag(np.append(1.0 / _SHARED_SPREAD**2, [1e-6, 1e-6]))
    normal, right = a.T @ a + prior, a.T @ r
    solved = np.linalg.solve(normal, right)
    shared = _SHARED_SPREAD.size
    alone = np.linalg.solve(normal[:shared, :shared], right[:shared])
    own = _own_departure(points, curve, root, rest - columns @ solved)
    sigma = np.hypot(_spread(points, _OWN), _spread(points, _LASTING))
    z = own / sigma
    with np.errstate(divide="ignore"):
        counts = np.where(z < 0.0, _BELOW / np.maximum(-z, _BELOW), _ABOVE / np.maximum(z, _ABOVE))
    return Levelled(
        price=float(r @ r - right[:shared] @ alone),
        step=solved[shared:],
        covariance=np.linalg.inv(normal)[shared:, shared:],
        spread=float((r @ r - right @ solved) / max(points.power_w.size - columns.shape[1], 1)),
        weights=counts,
        scale=float(np.exp(solved[0])),
        residual=float(np.quantile(np.abs(own), 0.68)),
        root=root,
    )


def price(points: Points, orientation: tuple[float, float], beside: Levelled, *, loose: bool = False) -> float:
    """Chi squared of another explanation, by the errors of a levelled one; `loose`: near this orientation."""
    curve = _curve(points, orientation)
    rest = np.log(points.power_w) - curve.log_w
    columns, spread = curve.shared, _SHARED_SPREAD
    if loose:
        columns = np.column_stack([columns, _gradient(points, orientation, curve)])
        spread = np.append(spread, [_HELD, _HELD])
    white = np.linalg.solve(beside.root, points.table(np.column_stack([columns, rest])))
    a, r = white[..., :-1].reshape(-1, spread.size), white[..., -1].ravel()
    right = a.T @ r
    return float(r @ r - right @ np.linalg.solve(a.T @ a + np.diag(1.0 / spread**2), right))


def rough_price(points: Points, guess_w: Values) -> float:
    """How badly a curve fits when every day has its own level, and how unlikely these levels are."""
    cross, square = points.day_sums(points.power_w * guess_w), points.day_sums(guess_w**2)
    scale = np.maximum(cross / np.maximum(square, 1e-9), 1e-3)
    lost = float(np.sum(points.power_w**2) - np.sum(cross * scale)) / points.peak_w**2
    levels = np.log(scale)
    usual = float(np.median(levels))
    return lost / 0.03**2 + float(np.sum(np.minimum(((levels - usual) / 0.08) ** 2, 16.0))) + (usual / 0.25) ** 2


def two_planes(points: Points, single_w: Values, guesses: dict[tuple[float, float], Values]) -> bool:
    """Whether a pair of planes of different aspect fits far better than the best single one.

    `single_w` is the single plane's power, `guesses` are those of planes all around, of the same shape (N,).
    """
    scale = points.day_sums(points.power_w * single_w) / np.maximum(points.day_sums(single_w**2), 1e-9)
    power = points.power_w / np.maximum(scale, 1e-3)[points.row]
    alone = float(np.sum((power - single_w) ** 2))
    if alone < power.size * (_MISFIT * float(single_w.max())) ** 2:
        return False
    names = [o for o in guesses if o[0] > 0.0]
    table = np.array([guesses[o] for o in names])
    gram, cross = table @ table.T, table @ power
    tilt, azimuth = np.radians(np.array(names)).T
    normals = np.stack([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)], axis=1)
    apart = normals @ normals.T < np.cos(np.radians(_APART_DEG))
    own = np.diag(gram)
    determinant = np.where(apart, own[:, None] * own[None, :] - gram**2, np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (cross[:, None] * own[None, :] - cross[None, :] * gram) / determinant
        second = first.T
        lost = float(power @ power) - first * cross[:, None] - second * cross[None, :]
        both = apart & (np.minimum(first, second) > _SHARE * (first + second))
    return bool(np.min(np.where(both, lost, np.inf)) < _FAR_BETTER * alone)


def _curve(points: Points, orientation: tuple[float, float]) -> _Curve:
    trial = points.trial
    guess, hazier = trial.guess(*orientation), trial.guess(*orientation, hazier=True)
    log_w = _log(points, guess.power_w)
    haze = _log(points, hazier.power_w) - log_w
    swing = trial.maker.gamma_per_c * trial.warming
    level_of = np.ones_like(log_w)
    half_years = (points.times - points.times.mean()) / (182.0 * 86400.0)
    shared = np.column_stack(
        [level_of, haze, swing, np.maximum(log_w - log_w.max(), -3.0), 1.0 - guess.beam_share, half_years]
    )
    return _Curve(log_w, shared, np.column_stack([haze, level_of, swing, 1.0 - guess.beam_share]))


def _log(points: Points, power_w: Values) -> Values:
    return np.log(np.maximum(power_w, _FAINT * points.trial.maker.rated_w))


def _gradient(points: Points, orientation: tuple[float, float], curve: _Curve) -> Values:
    """How the logarithm of power moves with the east and north part of the tilt vector [1/deg], shape (N, 2)."""
    tilt, azimuth = orientation
    east, north = tilt * np.sin(np.radians(azimuth)), tilt * np.cos(np.radians(azimuth))
    moved = []
    for de, dn in ((_STEP_DEG, 0.0), (0.0, _STEP_DEG)):
        other = np.hypot(east + de, north + dn), np.degrees(np.arctan2(east + de, north + dn))
        guess = points.trial.guess(float(other[0]), float(other[1]))
        moved.append((_log(points, guess.power_w) - curve.log_w) / _STEP_DEG)
    return np.column_stack(moved)


def _spread(points: Points, of: tuple[float, float]) -> Values:
    """Spread of an error of each interval, as a share of its power."""
    low = 1.0 + _LOW_SUN * (points.trial.sun.airmass - 1.0)
    return np.hypot(of[0] * low, of[1] * points.peak_w / points.power_w)


def _root(points: Points, curve: _Curve, weights: Values) -> Values:
    """Cholesky factor of the errors of each day, shape (D, M, M)."""
    lasting = _spread(points, _LASTING)
    own = _spread(points, _OWN) ** 2
    own = own + (own + lasting**2) * (weights**-2 - 1.0)
    times, lasts = points.table(points.times), points.table(lasting)
    apart = np.abs(times[:, :, None] - times[:, None, :])
    together = np.exp(-apart / _LASTS_S) * (lasts[:, :, None] * lasts[:, None, :])
    daily = points.table(curve.daily) * _DAY_SPREAD
    covariance = together + daily @ daily.transpose(0, 2, 1)
    m = np.arange(lasts.shape[1])
    covariance[:, m, m] += points.table(own, _UNIMPORTANT)
    return np.asarray(np.linalg.cholesky(covariance))


def _own_departure(points: Points, curve: _Curve, root: Values, rest: Values) -> Values:
    """What is left of departures when each day's own haze, level and swing are taken out, shape (N,)."""
    left = points.table(rest)
    solved = np.linalg.solve(root.transpose(0, 2, 1), np.linalg.solve(root, left[..., None]))
    daily = points.table(curve.daily)
    by_day = _DAY_SPREAD**2 * (daily.transpose(0, 2, 1) @ solved)[..., 0]
    left = left - np.einsum("dmk,dk->dm", daily, by_day)
    return np.asarray(left[points.row, points.column])
