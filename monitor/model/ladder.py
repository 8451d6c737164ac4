"""The irradiance ladder: sensor, weather, neighbours, clear sky, each with its uncertainty, combined."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ingest.readings import Values
from monitor.config.models import Site
from monitor.model.middle import median
from monitor.model.physics import CLEAR_NODE, INDEX_NODES, Physics, at_index, index_of, power_from_components
from monitor.model.sky import MIN_COS_ZENITH, Sky, cloudy_sky
from monitor.model.weather_series import Series, in_line, shaped

RungName = Literal["sensor", "weather", "roof", "neighbours", "own_strings", "own_windows", "clear_sky"]

# Planning values of the relative uncertainty of a day's expected energy (one sigma), by source.
SENSOR_SIGMA = 0.05  # home-grade sensor, plane known to a few degrees
WEATHER_SIGMA = 0.13  # satellite or reanalysis, mean day: 10-15 %
ROOF_SIGMA = 0.04  # another string of the same roof
NEIGHBOUR_SIGMA = 0.04  # a neighbour next door ...
NEIGHBOUR_SIGMA_PER_KM = 0.0035  # ... growing to 12 % at 25 km
MAX_NEIGHBOUR_KM = 50.0
CLEAR_SKY_SIGMA = 0.45  # nothing known of the day's clouds
# What a quarter of an hour scatters beyond the day, by source: how much one source counts beside another (the
# correlation of fluctuations over distance and time, wavelet variability model; satellite hours, Marchand 2019).
SCATTER: dict[RungName, float] = {
    "sensor": 0.02, "roof": 0.02, "weather": 0.25, "neighbours": 0.30, "own_strings": 0.02,
    "own_windows": 0.10, "clear_sky": 0.50,
}  # fmt: skip
# The names by which the figures go out: a roof's other strings are neighbours too, and a clear window that only the
# roof itself shows is the clear sky.
SOURCES: dict[RungName, RungName] = {
    "sensor": "sensor", "roof": "neighbours", "weather": "weather", "neighbours": "neighbours",
    "own_strings": "neighbours", "own_windows": "clear_sky", "clear_sky": "clear_sky",
}  # fmt: skip
LEAST_CLEAR = 5.0  # W/m2 of cloudless global irradiance; below it a ratio means nothing
MIN_INDEX, MAX_INDEX = 0.10, 1.05  # range of a day's mean clear-sky index, the darkest fogs left out


@dataclass(frozen=True, slots=True)
class Witness:
    """Somebody who saw the sky: clear-sky index per interval, shape (T,), NaN where it cannot tell."""

    name: str
    index: Values
    sigma: float


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung's power of every subject, shape (T,), NaN where it cannot tell, and its day-scale uncertainty.

    `index` is the clear-sky index that it stands for, `beam_share` the share of each subject's power that comes
    straight from the sun where the rung knows it better than the index does.
    """

    name: RungName
    power_w: Mapping[str, Values]
    index: Values
    sigma: float
    beam_share: Mapping[str, Values] = field(default_factory=dict)

    def part(self, span: slice) -> Rung:
        """The same rung over a part of the span."""
        power, share = ({s: p[span] for s, p in parts.items()} for parts in (self.power_w, self.beam_share))
        return Rung(self.name, power, self.index[span], self.sigma, share)


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected power of one subject on a grid of T intervals, with an 80 % range and where it came from.

    `sigma` is the planned relative uncertainty of the day's energy, before experience widened or narrowed the range.
    """

    power_w: Values
    low_w: Values
    high_w: Values
    source: RungName
    sigma: float
    clearness: float


def own_index(physics: Physics, subject: str, power_w: Values, *, gain: float, rated_w: float) -> Values:
    """Clear-sky index that a string's or inverter's own power tells.

    NaN where the sun is low or behind the plane, where the table is nearly empty, and where power is limited by the
    inverter's rating.

    Parameters
    ----------
    physics : Physics
        Tables of the site on a grid of T intervals.
    subject : str
        `string:ID` or `inverter:ID`.
    power_w : array of shape (T,)
        Measured power [W].
    gain : float
        Learned ratio of this subject's power to its table.
    rated_w : float
        Nameplate of the string, or rating of the inverter [W].
    """
    table = physics.power_w[subject]
    clear = table[CLEAR_NODE]
    strong = (physics.sun.cos_zenith > 0.10) & (clear > 0.05 * rated_w)
    # A plane that the sun does not reach is as bright under thin cloud as without: its power tells nothing.
    telling = clear - table[CLEAR_NODE - 4] > 0.15 * clear
    # Nothing tells nothing (a dead string is not a dark sky), and a limit hides the sky above it.
    with np.errstate(invalid="ignore"):
        within = (power_w > 0.004 * rated_w) & (power_w < 0.97 * rated_w)
    usable = strong & telling & within
    return index_of(table, np.where(usable, power_w / gain, np.nan))


def weighted_median(values: Values, weights: Values) -> Values:
    """Weighted median along the last axis but one, NaN left out.

    Shapes (N, T) and (N,) to (T,); (S, N, T) and (S, N) or (N,) to (S, T). A single bad member cannot move it beyond
    its neighbours in rank, as long as it weighs less than all others.
    """
    order = np.argsort(values, axis=-2)
    sorted_values = np.take_along_axis(values, order, axis=-2)
    each = weights[order] if weights.ndim == 1 else np.take_along_axis(weights[..., None], order, axis=-2)
    sorted_weights = np.where(np.isnan(sorted_values), 0.0, each)
    total = sorted_weights.sum(axis=-2)
    at = np.argmax(np.cumsum(sorted_weights, axis=-2) >= 0.5 * total[..., None, :], axis=-2)
    picked = np.take_along_axis(sorted_values, at[..., None, :], axis=-2)[..., 0, :]
    return np.where(total > 0.0, picked, np.nan)


def weighted_mean(values: Values, weights: Values) -> Values:
    """Weighted mean along the last axis but one, NaN left out; shapes as of `weighted_median`."""
    unknown = np.isnan(values)
    spread = np.where(unknown, 0.0, weights[..., None])
    total = spread.sum(axis=-2)
    with np.errstate(invalid="ignore"):
        return np.where(total > 0.0, (spread * np.where(unknown, 0.0, values)).sum(axis=-2) / total, np.nan)


def roof_rungs(physics: Physics, witnesses: Mapping[str, Sequence[Witness]]) -> dict[str, Rung]:
    """Power of some subjects by the sky that other units of the same roof saw; those without any are left out.

    The mean of what each of its witnesses stands for, or of three and more the weighted median, which a single bad one
    cannot move. Witnesses of one name are the same.
    """
    seen = {w.name: w.index for told in witnesses.values() for w in told}
    telling = {name: index for name, index in seen.items() if not np.isnan(index).all()}
    heard = {s: found for s, told in witnesses.items() if (found := [w for w in told if w.name in telling])}
    few = [s for s in heard if len(heard[s]) <= 2]
    many = [s for s in heard if len(heard[s]) > 2]
    rungs = {}
    for subjects, middle in ((few, weighted_mean), (many, weighted_median)):
        if not subjects:
            continue
        indices = np.stack(list(telling.values()))
        weights = np.array([_weights_of(heard[s], telling) for s in subjects])
        powers = middle(at_index(physics.stacked(subjects), indices), weights)
        index = middle(np.broadcast_to(indices, (len(subjects), *indices.shape)), weights)
        for n, s in enumerate(subjects):
            rungs[s] = Rung("roof", {s: powers[n]}, index[n], float(min(w.sigma for w in heard[s])))
    return rungs


def _weights_of(heard: Sequence[Witness], names: Iterable[str]) -> list[float]:
    """Weights by name; who is not heard has none."""
    weights = {w.name: 1.0 / w.sigma**2 for w in heard}
    return [weights.get(name, 0.0) for name in names]


def neighbour_rung(physics: Physics, witnesses: Sequence[Witness], subjects: Sequence[str]) -> Rung | None:
    """Power that the skies over the neighbours would give here on average; None without witnesses.

    The mean is taken over powers, not over sky states: here it may have been clear while it was dull over most of the
    others, and what a clear quarter of an hour gives is not told by the middle of their indices. A witness whose day
    is out of line with the others' weighs little. Where a witness cannot tell (low sun) its index is carried over from
    the nearest interval, at most two hours.
    """
    heard = [w for w in witnesses if not np.isnan(w.index).all()]
    if not heard:
        return None
    indices = carry(np.stack([w.index for w in heard]), most=8)
    weights = np.array([1.0 / w.sigma**2 for w in heard])
    weights = weights * _agreement(indices * physics.clear.ghi, weights)
    powers = weighted_mean(at_index(physics.stacked(subjects), indices), weights) if subjects else ()
    # The witnesses err together (same cloud edge, same model): more of them help less than independence promises.
    best = min(w.sigma for w in heard)
    sigma = max(float(np.sqrt(1.0 / weights.sum())), 0.7 * best)
    by_subject = dict(zip(subjects, powers, strict=True))
    return Rung("neighbours", by_subject, weighted_mean(indices, weights), sigma)


def _agreement(seen: Values, weights: Values) -> Values:
    """Weights (N,) of witnesses by how their day's irradiation stands to the others': (N, T) with NaN."""
    if len(seen) < 3:
        return np.ones(len(seen))
    middle = weighted_median(seen, weights)
    both = ~np.isnan(seen) & ~np.isnan(middle)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(np.where(both, seen, 0.0).sum(axis=1) / np.where(both, middle, 0.0).sum(axis=1))
    ratio = np.where(np.isfinite(ratio), ratio, 0.0)
    width = max(1.4826 * median(np.abs(ratio)), 0.10)
    # Weights of a Cauchy distribution, squared: a witness four widths away counts for a hundredth.
    return np.asarray((1.0 + (ratio / (1.5 * width)) ** 2) ** -2)


def sensor_rung(
    site: Site, physics: Physics, series: Mapping[str, Sequence[Series]], subjects: Sequence[str]
) -> Rung | None:
    """Power by a plane irradiance sensor on the site; None without readings.

    The sensor lies in the site's first plane; other planes are reached through the sky state that explains it.
    """
    if not series.get("irradiance_poa"):
        return None
    plane = physics.plane_w_m2[site.plane[0].id]
    parts = [_plausible_series(p) for p in series["irradiance_poa"]]
    seen = shaped(parts, np.asarray(plane[CLEAR_NODE]), physics.starts)
    index = index_of(plane, seen)
    index = np.where(physics.sun.cos_zenith > MIN_COS_ZENITH, index, np.nan)
    # Where the table ends (air cleaner than the model's, bright clouds) power goes on with the sensor's light.
    told = at_index(plane, index)
    beyond = np.where(seen > told, np.divide(seen, told, out=np.ones(seen.shape), where=told > 0.0), 1.0)
    beyond = np.where(index >= INDEX_NODES[-1], beyond, 1.0)
    return Rung("sensor", {s: beyond * at_index(physics.power_w[s], index) for s in subjects}, index, SENSOR_SIGMA)


def weather_rung(
    site: Site, physics: Physics, series: Mapping[str, Sequence[Series]], subjects: Sequence[str], late_s: int = 0
) -> Rung | None:
    """Power by a weather series (measured, satellite or reanalysis) of any interval; None without global irradiance.

    Series are spread over their intervals with the clear sky's shape. Beam is used where it is given, and split off
    by the sky state otherwise. `late_s` is how late the series' times are known to be.
    """
    if not series.get("irradiance_ghi"):
        return None
    clear, starts = physics.clear, physics.starts
    series = {q: [part.moved(late_s) for part in parts] for q, parts in series.items()}
    ghi = shaped([_plausible_series(p) for p in series["irradiance_ghi"]], clear.ghi, starts)
    with np.errstate(divide="ignore", invalid="ignore"):
        index = np.where(clear.ghi > LEAST_CLEAR, np.minimum(ghi / clear.ghi, INDEX_NODES[-1]), np.nan)
    if not series.get("irradiance_dni"):
        return Rung("weather", {s: at_index(physics.power_w[s], index) for s in subjects}, index, WEATHER_SIGMA)
    ghi = index * clear.ghi
    beam = shaped([_plausible_series(p) for p in series["irradiance_dni"]], clear.dni, starts)
    # Where the beam is not known the sky state tells; in neither case is it above a cloudless beam by more than haze
    # can explain, or above what the global irradiance leaves room for.
    beam = np.where(np.isnan(beam), cloudy_sky(index, clear, physics.sun).dni, np.minimum(beam, 1.25 * clear.dni))
    dni = np.minimum(np.nan_to_num(beam), ghi / np.maximum(physics.sun.cos_zenith, MIN_COS_ZENITH))
    sky = Sky(ghi=ghi, dni=dni, dhi=np.maximum(ghi - dni * physics.sun.cos_zenith, 0.0))
    air, wind = (in_line(series.get(q, ()), starts) for q in ("temperature_air", "wind_speed"))
    powers, shares = power_from_components(site, physics, sky, air, wind)
    return Rung("weather", {s: powers[s] for s in subjects}, index, WEATHER_SIGMA, shares)


def clear_sky_rung(physics: Physics, usual_index: float, subjects: Sequence[str]) -> Rung:
    """What an ordinary day of this place and season would give: the site's usual clear-sky index, wide range."""
    index = np.full(physics.starts.shape, usual_index)
    powers = at_index(physics.stacked(subjects), index) if subjects else ()
    return Rung("clear_sky", dict(zip(subjects, powers, strict=True)), index, CLEAR_SKY_SIGMA)


def carry(values: Values, *, most: int) -> Values:
    """Fill gaps from the nearest known neighbour in time, at most `most` intervals away; shape (T,) or (N, T)."""
    here = np.arange(values.shape[-1])
    known = ~np.isnan(values)
    before = np.maximum.accumulate(np.where(known, here, -2 * here.size), axis=-1)
    after = np.minimum.accumulate(np.where(known, here, 3 * here.size)[..., ::-1], axis=-1)[..., ::-1]
    nearest = np.where(here - before <= after - here, before, after)
    filled = np.take_along_axis(values, np.clip(nearest, 0, here.size - 1), axis=-1)
    return np.where(np.abs(nearest - here) <= most, filled, np.nan)


def _plausible(irradiance_w_m2: Values) -> Values:
    # IEC 61724-1 style limits: -6 to 1500 W/m2; what lies outside is a fault of the sensor, not of the sky.
    return np.where((irradiance_w_m2 >= -6.0) & (irradiance_w_m2 <= 1500.0), np.maximum(irradiance_w_m2, 0.0), np.nan)


def _plausible_series(series: Series) -> Series:
    values = _plausible(series.values)
    known = ~np.isnan(values)
    return Series(series.begins[known], series.ends[known], values[known])
