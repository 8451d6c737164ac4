"""The as-installed sky map as the nights learn it: looks of good days, builds at growing distances, what gains saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from ingest.readings import Values
from monitor.model.gain import PRIOR_SIGMA, Gains
from monitor.model.looks import EPOCH_ORDINAL, DayLooks, LooksInARow
from monitor.model.middle import median, quantile
from monitor.model.obstruction import build_map
from monitor.model.skycells import CELL_ELEVATION
from monitor.model.skymap import SkyMap, leaf_share

# What stands before a roof in its first year was there when it was installed.
FIRST_NIGHTS = 365
# Usable days before anything is concluded.
LEAST_DAYS = 30
# Weekly while the first season is new, then every second week; modules, which are many, every fourth. The last build
# is the first one after the first year.
_WEEKLY_UNTIL, _WEEK, _FORTNIGHT, _FOUR_WEEKS = 114, 7, 14, 28
# A look this clear is an interval of a clear window, as the clear-sky gain is learned from.
_CLEAR_LOOK = 0.95
# Beam share over that of a cloudless sky, by energy, on ordinary days of a temperate place (assumption).
_ORDINARY_BEAM = 0.65
# Atmospheric transmission by air mass of clear air (Meinel and Meinel, Applied Solar Energy, 1976).
_CLEAR_AIR, _AIR_POWER = 0.7, 0.678
_LEAST_CLEAR_LOOKS = 2
_LIT = 0.87


# How looks are kept: whole thousandths, clarity in hundredths.
RECORD = np.dtype(
    [("cell", "<u2"), ("transmittance", "<i2"), ("sigma", "<u2"), ("cos_incidence", "<u2"), ("beam_share", "<u2"),
     ("clarity", "u1")]
)  # fmt: skip
FACTORS = {"transmittance": 1000.0, "sigma": 1000.0, "cos_incidence": 1000.0, "beam_share": 1000.0, "clarity": 100.0}


@dataclass(frozen=True, slots=True)
class KeptLooks:
    """A subject's looks of one local day as they are kept (`RECORD`), the gain that they were taken with, and whether
    the day may teach the subject's map.
    """

    subject: str
    day: date
    gain: float
    healthy: bool
    record: npt.NDArray[np.void]


def kept(subject: str, looks: DayLooks, *, gain: float, healthy: bool) -> KeptLooks:
    """Looks in whole numbers."""
    record = np.empty(looks.cell.size, dtype=RECORD)
    record["cell"] = looks.cell
    for name, factor in FACTORS.items():
        limits = np.iinfo(RECORD[name])
        record[name] = np.clip(np.rint(getattr(looks, name) * factor), limits.min, limits.max)
    return KeptLooks(subject, looks.day, gain, healthy, record)


def joined(records: Sequence[npt.NDArray[np.void]]) -> npt.NDArray[np.void]:
    """Records one after the other; as bytes, since numpy works the common type of records out pair by pair."""
    parts = [np.ascontiguousarray(one).view(np.uint8) for one in records]
    return np.concatenate([np.zeros(0, dtype=np.uint8), *parts]).view(RECORD)


def looks_at_gain(chain: Sequence[KeptLooks], gain: float) -> LooksInARow:
    """Looks of many days as they had been with one gain."""
    sizes = [one.record.size for one in chain]
    record = joined([one.record for one in chain])
    days = np.array([one.day.toordinal() for one in chain], dtype=np.int64) - EPOCH_ORDINAL
    less = np.repeat(np.array([one.gain / gain for one in chain]), sizes)
    column = {name: record[name] / factor for name, factor in FACTORS.items()}
    through = 1.0 + (column["transmittance"] - 1.0) * less + (less - 1.0) / column["beam_share"]
    return LooksInARow(np.repeat(days, sizes), record["cell"].astype(np.int64), **(column | {"transmittance": through}))


@dataclass(frozen=True, slots=True)
class LearnedSky:
    """A subject's map as built from the looks up to a local day.

    `clear` and `energy` are what shade takes from the ratios that the subject's gains were learned from: of power to
    cloudless power in clear windows, and of whole days' energies. Gains over them hold beside shaded tables.
    """

    subject: str
    epoch: int
    learned_until: date
    sky_map: SkyMap
    clear: float
    energy: float

    @property
    def casts_shade(self) -> bool:
        """Whether anything stands before the sky."""
        return bool(np.minimum(self.sky_map.leafy, self.sky_map.bare).min() < _LIT)

    def over(self, gains: Gains) -> Gains:
        """Gains as learned beside open tables, for use beside shaded ones."""
        if gains.sigma >= PRIOR_SIGMA:  # nothing learned, so no shade in it
            return gains
        clear, sensor, weather = (
            value / (self.clear if value == gains.clear_sky else self.energy)
            for value in (gains.clear_sky, gains.sensor, gains.weather)
        )
        return Gains(clear, sensor, weather, gains.sigma, gains.complete)


def is_build_night(first: date, night: date, *, module: bool = False) -> bool:
    """Whether maps are built at the end of a night, by the first night with looks."""
    nights = (night - first).days + 1
    step = _FOUR_WEEKS if module else (_WEEK if nights <= _WEEKLY_UNTIL else _FORTNIGHT)
    return LEAST_DAYS <= nights < FIRST_NIGHTS + step and (nights - LEAST_DAYS) % step == 0


def next_build_night(first: date, night: date) -> date | None:
    """The next night after this one on which maps are built; None after the last."""
    later = (night + timedelta(n) for n in range(1, LEAST_DAYS + _FORTNIGHT))
    return next((one for one in later if is_build_night(first, one)), None)


def next_sky(
    chain: Sequence[KeptLooks],
    before: LearnedSky | None,
    *,
    night: date,
    latitude: float,
    plane: tuple[float, float],
    gain: float,
    learned_by: date | None,
) -> LearnedSky | None:
    """Build a subject's next map; None while there is too little to conclude from.

    Parameters
    ----------
    chain : sequence of KeptLooks
        The subject's good days since the epoch began, oldest first.
    before : LearnedSky, optional
        The map as last built, whose frozen cells stay.
    night : date
        Local day at whose end it is built.
    latitude : float
        Of the site, north positive [deg].
    plane : (tilt, azimuth)
        Of the subject [deg].
    gain : float
        Clear-sky gain as known tonight, beside open tables: looks of earlier gains are taken over to it.
    learned_by : date, optional
        Last local day that went into gains that are frozen.
    """
    if len(chain) < LEAST_DAYS:
        return None
    looks = looks_at_gain(chain, gain)
    sky_map = build_map(looks, latitude=latitude, frozen=None if before is None else before.sky_map)
    until = looks.day[-1] if learned_by is None else learned_by.toordinal() - EPOCH_ORDINAL
    clear, energy = _shade_in_gains(looks, int(np.searchsorted(looks.day, until, side="right")), sky_map, plane)
    return LearnedSky(chain[0].subject, 0 if before is None else before.epoch, night, sky_map, clear, energy)


def _shade_in_gains(
    looks: LooksInARow, learning: int, sky_map: SkyMap, plane: tuple[float, float]
) -> tuple[float, float]:
    """What shade took from the statistics of gains that were learned from the first so many looks.

    As of the gains themselves: the upper quartile of the days' clear windows, and the median of their energies.
    """
    if learning == 0:
        return 1.0, 1.0
    day = np.asarray(looks.day[:learning] % 365.2425) + 1.0
    cell, beam = looks.cell[:learning], looks.beam_share[:learning]
    bare = sky_map.bare[cell]
    through = bare + leaf_share(day, sky_map.latitude) * (sky_map.leafy[cell] - bare)
    blocked = sky_map.blocked_diffuse(*plane, float(day[learning // 2]))
    clear_left, left = _left(beam, through, blocked), _left(_ORDINARY_BEAM * beam, through, blocked)
    seen = looks.clarity[:learning] >= _CLEAR_LOOK
    airmass = 1.0 / np.sin(np.radians(CELL_ELEVATION[cell]))
    weight = _CLEAR_AIR ** (airmass**_AIR_POWER) * looks.cos_incidence[:learning] / beam  # cloudless power, so to speak
    clear, energy = [], []
    for one in np.split(np.arange(learning), np.flatnonzero(np.diff(looks.day[:learning])) + 1):
        if np.count_nonzero(seen[one]) >= _LEAST_CLEAR_LOOKS:
            clear.append(median(clear_left[one][seen[one]]))
        energy.append(float(weight[one] @ left[one] / weight[one].sum()))
    return quantile(clear, 0.75) if clear else 1.0, median(energy)


def _left(beam_share: Values, through: Values, blocked: float) -> Values:
    """What shade leaves of power."""
    return np.asarray((1.0 - blocked) * (1.0 - beam_share) + beam_share * through)
