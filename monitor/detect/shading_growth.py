"""New shade: parts of the sky that were open when the roof was new and are dark now whenever the sun passes there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from scipy.ndimage import label

from ingest.readings import Mask, Values
from monitor.config.models import String
from monitor.detect.finding import Finding
from monitor.detect.night import DayLoss, Says, SiteNight, Verdict
from monitor.model.grid import STEP_S
from monitor.model.learned_sky import KeptLooks, looks_at_gain
from monitor.model.looks import EPOCH_ORDINAL, LooksInARow
from monitor.model.obstruction import build_map
from monitor.model.physics import at_index
from monitor.model.shade_cost import yearly_loss_share
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION, CELL_ROW, CELLS, RASTER, ROW_DEG, ROWS, Cells, cell_of
from monitor.model.skymap import SkyMap, leaf_share

# The sky of so many days is held against the baseline's; looked at once a week.
LOOK_BACK_DAYS = 75
_EVERY_DAYS = 7
# A cell that the baseline saw open and that now lets so much less through is newly dark.
_DARKER_BY, _DARK_BELOW = 0.2, 0.8
_LEAST_CELLS, _LEAST_DAYS = 4, 3
_FAINT = 0.02
# By columns: so much darker is plainly dark; so many bright days for each dark one are clouds that parted late.
_PLAINLY_DARK, _FEW_BRIGHT = 0.35, 0.25
_RECENT_DAYS, _MOSTLY = 21, 0.6
# Where recent clear looks at the cells are bright again, the shade has gone.
_BRIGHT_AGAIN, _CLEAR_LOOK, _LOOKS_NEEDED = 0.85, 0.85, 4
# Of a year's light in the plane, straight from the sun, at the usual clear-sky index of temperate places (common
# practice).
_BEAM_SHARE, _USUAL_INDEX = 0.5, 0.6
_GROWS_ON = 1.5  # the high end of a year's forecast: what stands there grows
_MODULES_NAMED = 12


@dataclass(frozen=True, slots=True)
class ShadingGrowth:
    """Shade of something that grew or was built, held against the frozen sky map of the unit.

    Judged once a week by the looks of ten weeks, in the cells of the sky that the sun passed. Leaves are no growth: a
    cell that was open without leaves and is dark with them is left alone, and seen again when the leaves are down.
    Strings with module electronics are judged module by module, because shade on a few of many hides in their sum.

    References
    ----------
    Recovery of obstructions from power: see `monitor.model.obstruction`. Loss: beam and view factor of what is hidden.
    """

    cause: str = "shading_growth"

    def find(self, night: SiteNight) -> list[Verdict]:
        """One verdict per unit with a sky map."""
        found = []
        for subject, strings in _units(night).items():
            finding = night.open_finding(subject, self.cause)
            if finding is not None:
                found.append(self._again(night, subject, strings, finding))
            elif night.looks:
                verdict = self._judge(night, subject, strings)
                if verdict is not None:
                    found.append(verdict)
        return found

    def _judge(self, night: SiteNight, subject: str, strings: Sequence[String]) -> Verdict | None:
        shades = {s: shade for s in _watched(night, subject) if (shade := _new_shade(night, s)) is not None}
        if not shades:
            known = any(night.past.skies.get(s) is not None for s in _watched(night, subject))
            return Verdict(subject, self.cause, "healthy") if known else None
        evidence = _evidence(night, subject, strings, shades)
        days = (night.day - evidence.pop("first_dark_day")).days
        since = date.fromordinal(night.day.toordinal() - days)
        losses = _so_far(night, subject, since, _loss(night, subject, evidence))
        return Verdict(
            subject, self.cause, "trouble", confidence=0.9, since=since, losses=losses, evidence=evidence,
        )  # fmt: skip

    def _again(self, night: SiteNight, subject: str, strings: Sequence[String], finding: Finding) -> Verdict:
        evidence: dict[str, Any] = {k: v for k, v in finding.evidence.items() if k not in _LIFE}
        says: Says = "unclear"
        if night.looks:
            if _gone(night, subject, evidence):
                return Verdict(subject, self.cause, "healthy")
            shades = {s: shade for s in _watched(night, subject) if (shade := _new_shade(night, s)) is not None}
            if shades:
                fresh = _evidence(night, subject, strings, shades, so_far=evidence)
                fresh.pop("first_dark_day")
                evidence, says = fresh, "trouble"
        loss = _loss(night, subject, evidence)
        return Verdict(
            subject, self.cause, says, confidence=finding.confidence, losses=(loss,), evidence=evidence,
        )  # fmt: skip


_LIFE = ("days_seen", "good_days", "unseen_days", "other_causes", "earlier_causes")


def is_look_night(site_id: str, day: date) -> bool:
    """Whether a site's sky is held against its baseline at the end of a day: weekly, not all sites on one night."""
    return (day.toordinal() + sum(site_id.encode())) % _EVERY_DAYS == 0


@dataclass(frozen=True, slots=True)
class _Shade:
    """Newly dark cells of one unit, and how much darker they are than the baseline saw them."""

    cells: Cells
    darker: Values
    first_dark_day: date


def _units(night: SiteNight) -> dict[str, list[String]]:
    """Strings and inverters that have a map, with the strings behind each."""
    skies = night.past.skies
    found = {}
    for string in night.site.string:
        subject = f"string:{string.id}"
        if subject in skies or any(s.startswith(f"module:{string.id}/") for s in skies):
            found[subject] = [string]
    for inverter in night.site.inverter:
        if f"inverter:{inverter.id}" in skies:
            strings = night.site.strings_of(inverter.id)
            # An inverter's only string is what stands in the shade.
            found[f"string:{strings[0].id}" if len(strings) == 1 else f"inverter:{inverter.id}"] = list(strings)
    return found


def _watched(night: SiteNight, subject: str) -> list[str]:
    """The maps that tell of a unit: its modules', else its own, else its inverter's."""
    skies = night.past.skies
    name = subject.partition(":")[2]
    modules = [s for s in skies if s.startswith(f"module:{name}/")]
    if modules or subject in skies:
        return modules or [subject]
    return [f"inverter:{s.inverter}" for s in night.site.string if s.id == name]


def _new_shade(night: SiteNight, watched: str) -> _Shade | None:
    """Cells that are dark now and that the frozen map saw open; None where there are none to speak of."""
    sky = night.past.skies.get(watched)
    chain = [one for one in night.looks.get(watched, ()) if one.record.size]
    if sky is None or len(chain) < _LEAST_DAYS:
        return None
    looks = looks_at_gain(chain, chain[-1].gain)
    fresh = build_map(looks, latitude=sky.sky_map.latitude)
    day = float(night.day.timetuple().tm_yday)
    leafy = bool(leaf_share(day, sky.sky_map.latitude) >= 0.5)
    now, days = (fresh.leafy, fresh.leafy_days) if leafy else (fresh.bare, fresh.bare_days)
    before = _known_open(sky.sky_map, leafy=leafy)
    dark = (now < _DARK_BELOW) & (before - now > _DARKER_BY) & (days >= _LEAST_DAYS)
    pooled = _dark_columns(looks, before, leafy=leafy, latitude=sky.sky_map.latitude)
    now = np.where(dark, now, np.minimum(now, pooled))
    dark = _connected(dark | (pooled < _DARK_BELOW))
    cells = np.flatnonzero(dark)
    if cells.size < _LEAST_CELLS or not _lit_elsewhere(looks, dark, before):
        return None
    first = _first_dark(looks, cells, before)
    return _Shade(cells, before[cells] - now[cells], first)


def _known_open(sky: SkyMap, *, leafy: bool) -> Values:
    """What the baseline surely saw of each cell in this season, -1 where it did not.

    Without leaves there is at most more light than with them, so a cell seen open with leaves counts for both.
    """
    if leafy:
        return np.where(sky.leafy_frozen, sky.leafy, -1.0)
    return np.where(sky.bare_frozen, sky.bare, np.where(sky.leafy_frozen, sky.leafy, -1.0))


def _dark_columns(looks: LooksInARow, before: Values, *, leafy: bool, latitude: float) -> Values:
    """Transmittance of cells that were dark on nearly all days on which the sun passed there or a row off; else 1.

    In spring and autumn the sun climbs past a cell in a week, which has few clear days: three rows together have more.
    """
    season = (leaf_share(np.asarray(looks.day % 365.2425) + 1.0, latitude) >= 0.5) == leafy
    told = season & (looks.clarity >= _CLEAR_LOOK) & (before[looks.cell] > _BRIGHT_AGAIN)
    cell, day = looks.cell[told], looks.day[told]
    lack = before[cell] - looks.transmittance[told]
    through = np.ones(CELLS)
    column = (CELL_AZIMUTH[cell] / 360.0 * RASTER.shape[1]).astype(np.int64)
    for row in np.unique(CELL_ROW[cell]):
        near = np.abs(CELL_ROW[cell] - row) <= 1
        for one in np.unique(column[near]):
            here = near & (column == one)
            dark_days = np.unique(day[here & (lack > _PLAINLY_DARK)]).size
            bright_days = np.unique(day[here & (lack < _DARKER_BY)]).size
            if dark_days >= _LEAST_DAYS and bright_days <= _FEW_BRIGHT * dark_days:
                own = cell[here & (CELL_ROW[cell] == row)]
                through[own] = np.clip(before[own] - np.median(lack[here]), 0.0, 1.0)
    return through


def _lit_elsewhere(looks: LooksInARow, dark: Mask, before: Values) -> bool:
    """Whether the rest of the known sky was bright of late: a unit that is weak all day looks dark everywhere."""
    recent = (looks.day > looks.day.max() - _RECENT_DAYS) & (looks.clarity >= _CLEAR_LOOK) & ~dark[looks.cell]
    recent &= before[looks.cell] > _BRIGHT_AGAIN
    bright = looks.transmittance[recent] > before[looks.cell[recent]] - _DARKER_BY
    return bool(recent.any()) and float(np.mean(bright)) > _MOSTLY


def _connected(dark: Mask) -> Mask:
    """Dark cells in groups of at least so many, on the plain picture of the sky."""
    groups, count = label(dark[RASTER], structure=np.ones((3, 3)))
    kept = np.zeros(dark.shape, dtype=bool)
    for group in range(1, count + 1):
        members = np.unique(RASTER[groups == group])
        if members.size >= _LEAST_CELLS:
            kept[members] = True
    return kept


def _first_dark(looks: LooksInARow, cells: Cells, before: Values) -> date:
    """The first day from which clear looks at these cells were dark more often than not."""
    inside = np.isin(looks.cell, cells) & (looks.clarity >= _CLEAR_LOOK)
    if not inside.any():
        return date.fromordinal(int(looks.day.min()) + EPOCH_ORDINAL)
    days = looks.day[inside]
    dark = looks.transmittance[inside] < before[looks.cell[inside]] - 0.5 * _DARKER_BY
    bright_days = days[~dark]
    dark_days = days[dark]
    if not dark_days.size:
        return date.fromordinal(int(days.max()) + EPOCH_ORDINAL)
    after = dark_days[dark_days > (np.quantile(bright_days, 0.9) if bright_days.size > dark_days.size else -1)]
    return date.fromordinal(int(after.min() if after.size else dark_days.min()) + EPOCH_ORDINAL)


def _evidence(
    night: SiteNight,
    subject: str,
    strings: Sequence[String],
    shades: Mapping[str, _Shade],
    so_far: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Where the new top stands, how much it takes, and the cells by which later nights count the loss.

    The sun passes only a part of what grew in each season: what earlier nights saw of it (`so_far`) is kept.
    """
    watched = _watched(night, subject)
    # Of a string's modules only some stand in the shade: its cells are as dark as the mean over all modules.
    darker = np.zeros(CELLS)
    for shade in shades.values():
        darker[shade.cells] += shade.darker / len(watched)
    if so_far is not None:
        cells = np.asarray(so_far["cells"], np.int64)
        darker[cells] = np.maximum(darker[cells], so_far["darker"])
    before = night.past.skies[watched[0]].sky_map
    darker = _down_to_the_ground(darker, before)
    cells = np.flatnonzero(darker > _FAINT)
    tops = np.flatnonzero(darker > 0.5 * darker.max())
    weight = darker[tops] * np.cos(np.radians(CELL_ELEVATION[tops]))
    azimuth = np.radians(CELL_AZIMUTH[tops])
    centre = float(np.degrees(np.arctan2(weight @ np.sin(azimuth), weight @ np.cos(azimuth)))) % 360.0
    share, hidden = _year_share(night, strings, before, darker)
    year = share * _year_kwh(night, subject, strings)
    modules = sorted({s for s in shades if s.startswith("module:")} | set((so_far or {}).get("modules", ())))
    return {
        "azimuth_deg": round(centre, 1),
        "elevation_deg": round(float(CELL_ELEVATION[tops].max() + 0.5 * ROW_DEG), 1),
        "azimuth_from_deg": round(float(CELL_AZIMUTH[tops].min()), 1),
        "azimuth_to_deg": round(float(CELL_AZIMUTH[tops].max()), 1),
        "lost_kwh_per_year": round(year, 1),
        "lost_kwh_per_year_high": round(_GROWS_ON * year, 1),
        "loss_fraction": round(share, 4),
        "cells": cells.tolist(),
        "darker": np.round(darker[cells], 3).tolist(),
        "hidden_share": round(hidden, 4),
        "first_dark_day": min(s.first_dark_day for s in shades.values()),
        **({"modules": modules[:_MODULES_NAMED]} if modules else {}),
    }


def _down_to_the_ground(darker: Values, before: SkyMap) -> Values:
    """What is new stands on the ground: below its top it is as dark in every column, where it was not dark before."""
    picture = darker[RASTER]
    rows = np.arange(ROWS)[:, None]
    columns = picture.max(axis=0) > _FAINT
    top = np.where(columns, ROWS - 1 - np.argmax(picture[::-1] > _FAINT, axis=0), -1)
    depth = np.where(columns, np.sum(picture, axis=0) / np.maximum(np.count_nonzero(picture > _FAINT, axis=0), 1), 0.0)
    out = darker.copy()
    lit = np.maximum(before.leafy, before.bare)
    for row, column in zip(*np.nonzero(rows <= top[None, :]), strict=True):
        cell = RASTER[row, column]
        out[cell] = max(out[cell], min(depth[column], lit[cell]))
    return out


def _year_share(night: SiteNight, strings: Sequence[String], before: SkyMap, darker: Values) -> tuple[float, float]:
    """Share of a year's energy that the new shade takes, and the share of an even sky's light that it hides."""
    usual = float(np.clip(_BEAM_SHARE * night.past.usual_index() / _USUAL_INDEX, 0.25, 0.8))
    plane = night.site.plane_of(strings[0])
    now = replace(before, leafy=np.maximum(before.leafy - darker, 0.0), bare=np.maximum(before.bare - darker, 0.0))
    share, _ = yearly_loss_share(before, now, tilt_deg=plane.tilt_deg, azimuth_deg=plane.azimuth_deg, beam_share=usual)
    hidden = now.blocked_diffuse(plane.tilt_deg, plane.azimuth_deg) - before.blocked_diffuse(
        plane.tilt_deg, plane.azimuth_deg
    )
    return share, max(hidden, 0.0)


def _year_kwh(night: SiteNight, subject: str, strings: Sequence[String]) -> float:
    """What the unit would make in a year: as expected over the last one, a shorter past stretched over it."""
    unit = _unit_of(night, subject)
    days, kwh = night.past.series(unit, "expected_kwh")
    rated_kw = sum(s.rated_w for s in strings) / 1000.0
    if days.size >= 330:
        return float(np.mean(kwh[-365:])) * 365.0
    # Common practice for roofs of temperate places, until a year is known.
    return 900.0 * rated_kw


def _loss(night: SiteNight, subject: str, evidence: Mapping[str, Any]) -> DayLoss:
    """What the new shade took tonight, by what was expected behind the old one."""
    unit = night.units.get(_unit_of(night, subject))
    if unit is None or night.physics is None:
        return DayLoss(night.day, 0.0, 0.0, 0.0)
    sun = night.physics.sun
    darker = np.zeros(int(CELL_AZIMUTH.size))
    darker[np.asarray(evidence["cells"], np.int64)] = evidence["darker"]
    taken = darker[cell_of(sun.azimuth_deg, np.maximum(sun.elevation_deg, 0.0))]
    index = np.where(np.isnan(night.index), night.past.usual_index(), night.index)
    beam = at_index(night.physics.beam_share[unit.subject], index)
    part = np.clip(beam * taken + (1.0 - beam) * float(evidence["hidden_share"]), 0.0, 1.0)
    kwh = float(np.sum(unit.expected.power_w * part)) * STEP_S / 3.6e6
    return DayLoss(night.day, kwh, 0.7 * kwh, 1.4 * kwh)


def _so_far(night: SiteNight, subject: str, since: date, tonight: DayLoss) -> tuple[DayLoss, ...]:
    """Losses of the days since, in proportion to what was expected of each."""
    unit = _unit_of(night, subject)
    days, kwh = night.past.series(unit, "expected_kwh")
    expected = night.units.get(unit)
    today = night.energy_kwh(expected.expected.power_w) if expected is not None else 0.0
    share = tonight.kwh / today if today > 0.0 else 0.0
    earlier = [
        DayLoss(date.fromordinal(int(d)), k * share, 0.5 * k * share, 1.6 * k * share)
        for d, k in zip(days, kwh, strict=True)
        if d >= since.toordinal()
    ]
    return (*earlier, tonight)


def _unit_of(night: SiteNight, subject: str) -> str:
    """The unit whose power tells of a subject."""
    if subject in night.units:
        return subject
    name = subject.partition(":")[2]
    return next((f"inverter:{s.inverter}" for s in night.site.string if s.id == name), subject)


def _gone(night: SiteNight, subject: str, evidence: Mapping[str, Any]) -> bool:
    """Whether recent clear looks at the cells are bright again."""
    cells = np.asarray(evidence["cells"], np.int64)
    names = evidence.get("modules") or _watched(night, subject)
    recent = night.day.toordinal() - 2 * _EVERY_DAYS
    seen: list[Values] = []
    for name in names:
        chain: list[KeptLooks] = [o for o in night.looks.get(name, ()) if o.day.toordinal() >= recent and o.record.size]
        if chain:
            looks = looks_at_gain(chain, chain[-1].gain)
            inside = np.isin(looks.cell, cells) & (looks.clarity >= _CLEAR_LOOK)
            seen.append(looks.transmittance[inside])
    values = np.concatenate(seen) if seen else np.zeros(0)
    return values.size >= _LOOKS_NEEDED and float(np.median(values)) > _BRIGHT_AGAIN
