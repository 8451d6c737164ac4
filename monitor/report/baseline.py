"""What is known of a site as it was installed: data for people and programs, before any layout."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np

from ingest.readings import Mask, Values
from monitor.config.models import Plane, Site, String
from monitor.detect.telling.phrases import subject_in_words
from monitor.model.degradation import YearlyChange
from monitor.model.gain import Gains
from monitor.model.installed import Installed, PlaneAsInstalled
from monitor.model.orientation import Orientation
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, RASTER_AZIMUTH
from monitor.model.skymap import SkyMap
from monitor.report.sunlines import in_sun_zone
from monitor.report.sunpath import SunView

_HALF_COLUMN_DEG = 180.0 / RASTER_AZIMUTH.size
_NO_TOP_DEG = 90.0  # what an outline says where nothing above has been seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Learning:
    """How far a unit's gain has got: healthy days in all and by what they could be held against, and since when."""

    days: int = 0
    clear: int = 0
    sensor: int = 0
    weather: int = 0
    frozen_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneTold:
    """A plane: what is on paper, what its power told, and the strings that lie on it."""

    plane: str
    stated: Orientation
    learned: PlaneAsInstalled | None
    strings: tuple[str, ...]

    @property
    def used(self) -> Orientation:
        """The orientation that the model uses."""
        return self.learned.used if self.learned else self.stated


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitTold:
    """A string or inverter and its gain."""

    subject: str
    words: str
    gains: Gains
    learning: Learning
    change: YearlyChange | None = None  # of its level, once there are three years


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstruction:
    """Something before the sky, over a run of azimuths (clockwise from `left_deg` to `right_deg`).

    `low_deg` and `high_deg` hold the elevation of its highest part; `high_deg` is None where nothing above it has been
    seen yet. `leafy` and `bare` are the shares of the beam that pass it with and without leaves on the trees;
    `months` those in which the sun passes behind it; `hidden` the share of the sky's light that it takes away.
    """

    left_deg: float
    right_deg: float
    top_deg: float
    low_deg: float
    high_deg: float | None
    leafy: float
    bare: float
    months: tuple[int, ...]
    hidden: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyTold:
    """A subject's sky; `seen` is the share of the sun's places over the year of which anything is known."""

    subject: str
    words: str
    view: SunView
    seen: float
    hidden: float
    obstructions: tuple[Obstruction, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineSheet:
    """The as-installed baseline of one site."""

    fleet: str
    site: str
    name: str
    since: date | None
    nights: int
    until: date | None
    planes: tuple[PlaneTold, ...]
    units: tuple[UnitTold, ...]
    skies: tuple[SkyTold, ...]
    remarks: tuple[str, ...]  # on the site's own sensor and weather series

    @property
    def is_learning(self) -> bool:
        """Whether any unit's gain is not settled yet, or no unit is known."""
        return not self.units or not all(unit.gains.complete for unit in self.units)


def gather_baseline(
    site: Site,
    installed: Installed,
    *,
    fleet: str,
    until: date | None,
    learning: Mapping[str, Learning],
    changes: Mapping[str, YearlyChange],
    remarks: Sequence[str] = (),
) -> BaselineSheet:
    """All that is known of a site; `until` is its last assessed night, `learning` and `changes` by subject."""
    planes = tuple(_plane(site, plane, installed) for plane in site.plane)
    return BaselineSheet(
        fleet=fleet,
        site=site.id,
        name=site.site.name,
        since=installed.learning_since,
        nights=installed.nights,
        until=until,
        planes=planes,
        units=tuple(
            UnitTold(
                subject=subject, words=subject_in_words(site, subject), gains=gains,
                learning=learning.get(subject, Learning()), change=changes.get(subject),
            )
            for subject, gains in sorted(installed.gains.items(), key=lambda item: _place(site, item[0]))
        ),
        skies=skies_told(
            site, installed.maps, until or site.site.commissioned, {plane.plane: plane.used for plane in planes}
        ),
        remarks=tuple(remarks),
    )  # fmt: skip


def skies_told(
    site: Site, maps: Mapping[str, SkyMap], day: date, lying: Mapping[str, Orientation] | None = None
) -> tuple[SkyTold, ...]:
    """The skies of a site by subject, in its order; `lying` is how its planes lie if not as on paper."""
    lies = lying or {plane.id: (plane.tilt_deg, plane.azimuth_deg) for plane in site.plane}
    offset_h = _standard_offset_h(site, day.year)
    return tuple(
        _sky(site, subject, maps[subject], lies, offset_h)
        for subject in sorted(maps, key=lambda one: _place(site, one))
    )


def _plane(site: Site, plane: Plane, installed: Installed) -> PlaneTold:
    return PlaneTold(
        plane=plane.id,
        stated=(plane.tilt_deg, plane.azimuth_deg),
        learned=installed.planes.get(plane.id),
        strings=tuple(s.id for s in site.string if s.plane == plane.id),
    )


def _place(site: Site, subject: str) -> tuple[int, int, str]:
    """Strings in the order of the site file, each with its modules behind it, then inverters."""
    kind, _, name = subject.partition(":")
    string = name.partition("/")[0]
    known = [s.id for s in site.string]
    return int(kind == "inverter"), known.index(string) if string in known else len(known), subject


def _standard_offset_h(site: Site, year: int) -> float:
    """Hours that the zone's clock is ahead of UTC without summer time."""
    offsets = [datetime(year, month, 1, tzinfo=site.zone).utcoffset() or timedelta() for month in (1, 7)]
    return min(offsets).total_seconds() / 3600.0


def _sky(site: Site, subject: str, sky_map: SkyMap, lying: Mapping[str, Orientation], offset_h: float) -> SkyTold:
    facing = _facing(site, subject, lying)
    here = site.site
    zone = in_sun_zone(here.latitude, CELL_AZIMUTH, CELL_ELEVATION)
    known = (sky_map.leafy_days + sky_map.bare_days > 0) | sky_map.shaded_cells()
    return SkyTold(
        subject=subject,
        words=subject_in_words(site, subject),
        view=SunView(
            latitude=here.latitude, longitude=here.longitude, utc_offset_h=offset_h, sky_map=sky_map,
            facing_deg=tuple(dict.fromkeys(azimuth for (_, azimuth), _ in facing)),
        ),
        seen=float(np.mean(known[zone])),
        hidden=_hidden(sky_map, facing),
        obstructions=_obstructions(sky_map, facing),
    )  # fmt: skip


def _facing(site: Site, subject: str, lying: Mapping[str, Orientation]) -> list[tuple[Orientation, float]]:
    """Orientations of a subject's planes, each with the nameplate that lies on it."""
    return [(lying[s.plane], s.rated_w) for s in _strings(site, subject)]


def _strings(site: Site, subject: str) -> Sequence[String]:
    kind, _, name = subject.partition(":")
    if kind == "inverter":
        return site.strings_of(name)
    return [s for s in site.string if s.id == name.partition("/")[0]]


def _hidden(sky_map: SkyMap, facing: Sequence[tuple[Orientation, float]]) -> float:
    """Share of the sky's light that is hidden, mean of the planes by rating."""
    total = sum(rated for _, rated in facing)
    return sum(sky_map.blocked_diffuse(*lies) * rated for lies, rated in facing) / total if total else 0.0


def _obstructions(sky_map: SkyMap, facing: Sequence[tuple[Orientation, float]]) -> tuple[Obstruction, ...]:
    """The things before the sky, one for each unbroken run of azimuths."""
    outline = sky_map.outline()
    found = []
    for columns in _around(~np.isnan(outline.top_deg)):
        left = float(outline.azimuth_deg[columns[0]]) - _HALF_COLUMN_DEG
        width = 2.0 * _HALF_COLUMN_DEG * len(columns)
        inside = sky_map.shaded_cells() & ((CELL_AZIMUTH - left) % 360.0 <= width)
        alone = _only(sky_map, inside)
        highest = columns[int(np.argmax(outline.top_deg[columns]))]
        high = float(outline.high_deg[highest])
        found.append(
            Obstruction(
                left_deg=left % 360.0,
                right_deg=(left + width) % 360.0,
                top_deg=float(outline.top_deg[highest]),
                low_deg=float(outline.low_deg[highest]),
                high_deg=high if high < _NO_TOP_DEG else None,
                leafy=_middle(sky_map.leafy, inside),
                bare=_middle(sky_map.bare, inside),
                months=alone.months_in_sun_path(),
                hidden=_hidden(alone, facing),
            )
        )
    return tuple(found)


def _around(mask: Mask) -> list[list[int]]:
    """Runs of true columns, also over the north; each clockwise."""
    runs: list[list[int]] = []
    for column in np.flatnonzero(mask).tolist():
        if runs and runs[-1][-1] == column - 1:
            runs[-1].append(column)
        else:
            runs.append([column])
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == mask.size - 1:
        runs[0] = runs.pop() + runs[0]
    return runs


def _only(sky_map: SkyMap, cells: Mask) -> SkyMap:
    """A map that holds nothing but what stands in these cells."""
    return replace(sky_map, leafy=np.where(cells, sky_map.leafy, 1.0), bare=np.where(cells, sky_map.bare, 1.0))


def _middle(through: Values, cells: Mask) -> float:
    return float(np.median(through[cells])) if cells.any() else 1.0
