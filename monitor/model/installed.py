"""A site as it was installed: how its planes truly lie, what stands before them, how its units stand to the model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from monitor.model.gain import Gains
from monitor.model.orientation import Orientation, OrientationFit
from monitor.model.skymap import SkyMap


@dataclass(frozen=True, slots=True)
class PlaneAsInstalled:
    """A plane by its id: (tilt, azimuth) [deg] on paper and as the model uses it, and what its power told.

    `fit` is None where no string or inverter can be measured for the plane alone, `doubt` a sentence where the site
    file is doubtful, `learned_until` the last local day that went into it.
    """

    plane: str
    stated: Orientation
    used: Orientation
    fit: OrientationFit | None
    doubt: str | None
    learned_until: date


@dataclass(frozen=True, slots=True)
class Installed:
    """The as-installed baseline of a site as it stands.

    `planes` by plane id, `maps` and `gains` by subject; what has not been learned yet is missing. `learning_since` is
    the first assessed local day, `nights` how many were assessed.
    """

    planes: Mapping[str, PlaneAsInstalled] = field(default_factory=dict)
    maps: Mapping[str, SkyMap] = field(default_factory=dict)
    gains: Mapping[str, Gains] = field(default_factory=dict)
    learning_since: date | None = None
    nights: int = 0
