"""A fitted orientation against the papers: what to tell a person, and which of both the model uses."""

from __future__ import annotations

import numpy as np

from monitor.model.orientation import Orientation, OrientationFit, turn

# Site files are off by this much when they are right [deg]; and this often they are wrong altogether (assumption).
_TILT_SIGMA, _AZIMUTH_SIGMA, _WRONG = 5.0, 8.0, 0.05
# Chi squared that a fit must gain to count at all.
_BETTER = 9.0
_DOUBT_DEG, _SURE = 15.0, 2.5
_IN_80 = 1.2816
_LEVEL_DEG = 5.0
# Other ways to count an azimuth a: turned from ours by so much, and in this sense.
_CONVENTIONS = (
    ("counted from south", 180.0, 1.0),
    ("counted anticlockwise from north", 0.0, -1.0),
    ("counted anticlockwise from south", 180.0, -1.0),
)


def as_installed(stated: Orientation, fit: OrientationFit) -> Orientation:
    """Return the (tilt, azimuth) that the model should use [deg].

    Parameters
    ----------
    stated : (tilt, azimuth)
        Of the site file [deg].
    fit : OrientationFit
        Of the plane's own power.

    Returns
    -------
    (tilt, azimuth)
        The stated orientation where the fit is not trusted or hardly better. Otherwise the mean of both after Bayes:
        site files scatter a little around the truth, and a few are wrong altogether; in these only the fit counts.
    """
    if not fit.trusted or fit.better_than_stated < _BETTER:
        return stated
    tilt_off, azimuth_off = fit.tilt_deg - stated[0], turn(fit.azimuth_deg, stated[1])
    tilt_variance, azimuth_variance = fit.tilt_sigma**2, fit.azimuth_sigma**2
    right = (1.0 - _WRONG) * (
        _density(tilt_off, _TILT_SIGMA**2 + tilt_variance) * _density(azimuth_off, _AZIMUTH_SIGMA**2 + azimuth_variance)
    )
    wrong = _WRONG / (90.0 * 360.0)
    odds = wrong / (wrong + right)
    tilt_pull = odds + (1.0 - odds) * _TILT_SIGMA**2 / (_TILT_SIGMA**2 + tilt_variance)
    azimuth_pull = odds + (1.0 - odds) * _AZIMUTH_SIGMA**2 / (_AZIMUTH_SIGMA**2 + azimuth_variance)
    tilt = float(np.clip(stated[0] + tilt_pull * tilt_off, 0.0, 90.0))
    return tilt, float((stated[1] + azimuth_pull * azimuth_off) % 360.0)


def doubt(stated: Orientation, fit: OrientationFit) -> str | None:
    """Say in a sentence that the site file's orientation is doubtful: off by more than 15 degrees, and surely."""
    if not fit.trusted and not fit.clock_doubt_s:
        return None
    parts_said, parts_seen = [], []
    tilt_off, azimuth_off = fit.tilt_deg - stated[0], turn(fit.azimuth_deg, stated[1])
    if abs(tilt_off) > max(_DOUBT_DEG, _SURE * fit.tilt_sigma):
        parts_said.append(f"tilt {stated[0]:.0f}")
        parts_seen.append(f"{fit.tilt_deg:.0f} (±{_IN_80 * fit.tilt_sigma:.0f})")
    # On a plane that papers or power call level, an azimuth means nothing.
    tilted = min(stated[0], fit.tilt_deg) > _LEVEL_DEG
    turned = tilted and abs(azimuth_off) > max(_DOUBT_DEG, _SURE * fit.azimuth_sigma)
    if turned:
        parts_said.append(f"azimuth {stated[1]:.0f}")
        parts_seen.append(f"{fit.azimuth_deg:.0f} (±{_IN_80 * fit.azimuth_sigma:.0f})")
    if not parts_said:
        return None
    sentence = (
        f"the site file says {' and '.join(parts_said)}; the power of {fit.days} clear days looks like "
        f"{' and '.join(parts_seen)}"
    )
    return f"{sentence}{_advice(stated, fit, turned)}"


def _advice(stated: Orientation, fit: OrientationFit, turned: bool) -> str:
    """What to look at."""
    if fit.clock_doubt_s:
        minutes, way = abs(fit.clock_doubt_s) / 60.0, "fast" if fit.clock_doubt_s > 0.0 else "slow"
        return f", or its log's clock is about {minutes:.0f} minutes {way}: check the time zone of the log and the plan"
    for words, zero, sense in _CONVENTIONS if turned else ():
        meant = zero + sense * stated[1]
        if abs(turn(meant, stated[1])) > 30.0 and abs(turn(meant, fit.azimuth_deg)) < max(
            10.0, 2.0 * fit.azimuth_sigma
        ):
            return f": was the azimuth {words}? Here it is counted clockwise from north"
    return ": check the plan or the sign convention"


def _density(off: float, variance: float) -> float:
    """Normal density around zero."""
    return float(np.exp(-0.5 * off**2 / variance) / np.sqrt(2.0 * np.pi * variance))
