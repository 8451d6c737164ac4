"""A roof's typical year: what each day of it would make under the sky that is usual there, with and without shade."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from ingest.readings import Values
from monitor.config.models import Site
from monitor.model.gain import Gains
from monitor.model.grid import STEP_S
from monitor.model.numbers import Ordinals
from monitor.model.physics import at_index, site_physics
from monitor.model.shading import Maps, shaded_physics

# All-year mean clear-sky index of temperate places, and how much such places differ (both from memory); a site's own
# days take over as they come in.
PLACES_INDEX, PLACES_SIGMA = 0.60, 0.07
# How much one month's mean index differs from that month's in other years (assumption, in line with yearly sums that
# vary by 4 %: Thevenard and Pelland, Solar Energy 91 (2013) 432, from memory).
MONTH_SIGMA = 0.10
# A typical month's share of the year, relative, one sigma (planning value).
SHARE_SIGMA = 0.10
# Clear-sky index that stands for single days; what shade takes depends on it.
_SKIES: Values = np.array([0.15, 0.4, 0.7, 1.0])
_STEP_DAYS = 5
_DAYS = 365
_DAY_S = 86400
_EPOCH_YEAR_S = 1735689600  # 2025-01-01, an ordinary year


@dataclass(frozen=True, slots=True)
class UsualSky:
    """The mean clear-sky index that is usual at a place, and its sigma."""

    index: float
    sigma: float

    @property
    def relative(self) -> float:
        """Sigma over the index; power goes nearly with the index."""
        return self.sigma / self.index


@dataclass(frozen=True, slots=True)
class TypicalYear:
    """Daily energies of an ordinary year [kWh, alternating current, shape (365,)].

    `on_paper` is with nameplates under the open sky, `as_built` at the level that the roof was found to work at and
    behind what was found to stand before it. `open_over_built` (4, 365) is what it would make without that over what
    it makes, by the day's clear-sky index.
    """

    sky: UsualSky
    on_paper: Values
    as_built: Values
    open_over_built: Values

    def months(self) -> Values:
        """Energy on paper by calendar month [kWh], shape (12,)."""
        return np.asarray(np.bincount(_month_of_days(), self.on_paper, 12), dtype=np.float64)

    def share(self, day: date) -> float:
        """A day's share of the year's energy on paper; in a leap year 28 and 29 February have one day's between them.

        So the shares of every calendar year add up to one, and a month has the same share in each.
        """
        return float(self.on_paper[_day_of(day)] * _weight(day) / self.on_paper.sum())

    def usual_kwh(self, day: date) -> float:
        """What the roof as it was built would make on the day under the usual sky."""
        return float(self.as_built[_day_of(day)])

    def opened(self, day: date, index: float | None) -> float:
        """What it would make without what stood before it from the beginning, over what it makes under such a sky."""
        here = self.open_over_built[:, _day_of(day)]
        return float(np.interp(self.sky.index if index is None else index, _SKIES, here))


def usual_sky(indices: Mapping[date, float], weights: Mapping[date, float]) -> UsualSky:
    """The usual sky of a place from its own days, leaning on what is usual elsewhere while they are few.

    Parameters
    ----------
    indices : mapping of date to float
        Clear-sky index of local days.
    weights : mapping of date to float
        What each day counts, say its cloudless energy.

    Notes
    -----
    Normal prior of places, and a month's mean that varies from year to year as MONTH_SIGMA; months count by weight.
    """
    months: dict[tuple[int, int], tuple[float, float]] = {}
    for day, index in indices.items():
        weight = weights.get(day, 0.0)
        total, summed = months.get((day.year, day.month), (0.0, 0.0))
        months[day.year, day.month] = (total + weight, summed + weight * index)
    total = sum(weight for weight, _ in months.values())
    if total <= 0.0:
        return UsualSky(PLACES_INDEX, PLACES_SIGMA)
    parts = [weight / total for weight, _ in months.values()]
    own = sum(summed for _, summed in months.values()) / total
    variance = MONTH_SIGMA**2 * sum(part * part for part in parts)
    pull = PLACES_SIGMA**2 / (PLACES_SIGMA**2 + variance)
    return UsualSky(PLACES_INDEX + pull * (own - PLACES_INDEX), float(np.sqrt(pull * variance)))


def typical_year(site: Site, sky: UsualSky, *, gains: Mapping[str, Gains], maps: Maps) -> TypicalYear:
    """Work out a site's typical year.

    Parameters
    ----------
    site : Site
        Geometry and nameplates.
    sky : UsualSky
        Of the place.
    gains : mapping of str to Gains
        By `inverter:ID`, for use behind `maps`; those that are not known count as on paper.
    maps : mapping of str to SkyMap
        What stood before the sky when the roof was new.

    Notes
    -----
    Every fifth day at quarter hours, with the air temperature of the climate, in between by straight lines.
    """
    sampled = np.arange(2, _DAYS, _STEP_DAYS)
    units = [f"inverter:{i.id}" for i in site.inverter if site.strings_of(i.id)]
    level = {unit: gains[unit].clear_sky if unit in gains else 1.0 for unit in units}
    paper, built, opened = [], [], []
    noon_s = -site.site.longitude / 15.0 * 3600.0  # so that a day runs from midnight to midnight of the sun
    starts = np.arange(0, _DAY_S, STEP_S, dtype=np.int64)[None, :] + (sampled * _DAY_S)[:, None]
    every = site_physics(site, starts.ravel() + _EPOCH_YEAR_S + round(noon_s))
    steps = starts.shape[1]
    for n in range(sampled.size):
        in_the_open = every.part(slice(n * steps, (n + 1) * steps))
        behind = shaded_physics(site, in_the_open, maps)
        paper.append(sum(_kwh(in_the_open.power_w[u], sky.index) for u in units))
        built.append(sum(level[u] * _kwh(behind.power_w[u], sky.index) for u in units))
        opened.append(
            [
                _ratio(*(sum(level[u] * _kwh(p.power_w[u], index) for u in units) for p in (in_the_open, behind)))
                for index in _SKIES.tolist()
            ]
        )
    ratios = np.array(opened)
    return TypicalYear(
        sky,
        _filled(sampled, np.array(paper)),
        _filled(sampled, np.array(built)),
        np.stack([_filled(sampled, ratios[:, k]) for k in range(_SKIES.size)]),
    )


def share_sigma(year: TypicalYear, days: Collection[date]) -> float:
    """Sigma of the part of a typical year that some days make, as a share of the year.

    Months go wrong on their own, and the twelve of them always make the year: for a whole year there is no doubt.
    """
    whole = year.months() / year.months().sum()
    taken = np.zeros(12)
    for day in days:
        taken[day.month - 1] += year.share(day)
    part = np.minimum(taken, whole)  # a month that is asked for twice is doubtful twice, but not more so
    outside = whole - part
    total = float(part.sum())
    return float(SHARE_SIGMA * np.sqrt((1.0 - total) ** 2 * np.sum(part**2) + total**2 * np.sum(outside**2)))


def _kwh(table: Values, index: float) -> float:
    return float(np.sum(at_index(table, np.full(table.shape[-1], index)))) * STEP_S / 3.6e6


def _ratio(opened: float, built: float) -> float:
    return max(opened / built, 1.0) if built > 0.0 else 1.0


def _filled(sampled: Ordinals, values: Values) -> Values:
    """From sampled days to every day, around the turn of the year."""
    return np.asarray(np.interp(np.arange(_DAYS), sampled, values, period=_DAYS))


def _month_of_days() -> Ordinals:
    return np.array([(np.datetime64("2025-01-01") + n).astype("datetime64[M]").astype(int) % 12 for n in range(_DAYS)])


def _day_of(day: date) -> int:
    """Place in an ordinary year; 29 February is 28 February once more."""
    ordinal = day.timetuple().tm_yday - 1
    return ordinal - 1 if _is_leap(day.year) and day.month > 2 or (day.month, day.day) == (2, 29) else ordinal


def _weight(day: date) -> float:
    return 0.5 if _is_leap(day.year) and day.month == 2 and day.day >= 28 else 1.0


def _is_leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def indices_of(rows: Sequence[tuple[date, Mapping[str, float | None]]]) -> dict[date, float]:
    """The clear-sky index of days that told one, from their features."""
    return {day: index for day, features in rows if (index := features.get("index")) is not None}
