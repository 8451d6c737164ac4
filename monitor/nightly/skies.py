"""What a night sees of the things before a roof's sky, and the maps that are learned from it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, timedelta

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Mask, Values
from monitor.config.models import Site, String
from monitor.detect.finding import Finding
from monitor.detect.night import SiteNight
from monitor.detect.table import spoils
from monitor.model.dayview import DayView, measurable
from monitor.model.history import SiteHistory
from monitor.model.learned_sky import KeptLooks, LearnedSky, is_build_night, kept, next_sky
from monitor.model.looks import Facing, day_looks, module_looks
from monitor.store.skies import read_looks

# Of an inverter's rating, or of what may be exported.
_LIMITED = 0.96
_STRING_LIMIT = 1.3  # of the nameplate: no string makes more
# Share of a day's expected energy whose readings may be marked before the day is left out.
_MOST_MARKED = 0.02


def night_looks(
    view: DayView, night: SiteNight, *, at_nothing: bool | None, troubled: Collection[str]
) -> list[KeptLooks]:
    """Looks of one night: of measured strings, of inverters whose strings are not, and of measured modules.

    A day does not teach a unit that has an open finding or doubtful readings, and nobody while snow may lie.
    """
    site, power, limited = view.site, view.power_w, _held_back(view)
    held = {i: mask | night.held[i] if i in night.held else mask for i, mask in limited.items()}
    snowed = night.snow_possible and (at_nothing is True or night.region.looks_snowed_in)
    physics, gains = view.in_the_open.physics, view.in_the_open.gains
    found = []
    for subject, strings in mapped_units(site).items():
        healthy = not snowed and subject not in troubled and night.units[subject].marked <= _MOST_MARKED
        free = np.where(held[strings[0].inverter], np.nan, power[subject])
        facing, gain = _facing(site, strings), gains[subject].clear_sky
        limit_w = view.span.rated_w(subject) * (_STRING_LIMIT if subject.startswith("string:") else 1.0)
        looks = day_looks(free, physics, subject, day=view.day, gain=gain, limit_w=limit_w, facing=facing)
        found.append(kept(subject, looks, gain=gain, healthy=healthy))
        if subject.startswith("string:"):
            found += _modules(view, strings[0], held[strings[0].inverter], gain, healthy=healthy)
    return [one for one in found if one.record.size]


def mapped_units(site: Site) -> dict[str, list[String]]:
    """Units that have a map of their own, with the strings behind it."""
    units = measurable(site)
    found = {f"string:{s.id}": [s] for s in site.string if f"string:{s.id}" in units}
    for inverter in site.inverter:
        strings = site.strings_of(inverter.id)
        alone = strings and not any(f"string:{s.id}" in found for s in strings)
        if alone and f"inverter:{inverter.id}" in units:
            found[f"inverter:{inverter.id}"] = list(strings)
    return found


def read_chain(conn: Connection, site: str, before: date, *, nights: int | None = None) -> dict[str, list[KeptLooks]]:
    """The looks of a site's nights before a day, or of so many of them, by subject, oldest first."""
    chain: dict[str, list[KeptLooks]] = {}
    first = date.min if nights is None else before - timedelta(days=nights)
    for one in read_looks(conn, site, first=first, last=before - timedelta(days=1)):
        chain.setdefault(one.subject, []).append(one)
    return chain


def learn_skies(
    site: Site,
    history: SiteHistory,
    findings: Sequence[Finding],
    chain: Mapping[str, Sequence[KeptLooks]],
    *,
    since: date,
    night: date,
) -> list[LearnedSky]:
    """The maps that are due at the end of a night, where they are other ones than before.

    `chain` holds the looks of all nights since the first one, `since`, this one included.
    """
    found = []
    strings = {f"string:{s.id}": s for s in site.string}
    units = mapped_units(site)
    for subject, every in chain.items():
        module = subject.startswith("module:")
        if not is_build_night(since, night, module=module):
            continue
        unit = f"string:{subject.removeprefix('module:').rpartition('/')[0]}" if module else subject
        behind = units.get(unit, [strings[unit]] if unit in strings else [])
        if not behind:
            continue
        told_of = _tells_of(site, subject, behind)
        doubted = [f for f in findings if spoils(f) and f.subject in told_of]
        frozen = history.frozen.get(unit)
        sky = next_sky(
            [o for o in every if o.healthy and not any(f.since <= o.day <= f.last_seen for f in doubted)],
            history.skies.get(subject),
            night=night,
            latitude=site.site.latitude,
            plane=_plane(site, behind),
            gain=history.gains(unit, night + timedelta(days=1)).clear_sky,
            learned_by=None if frozen is None else frozen[0],
        )
        if sky is not None:
            found.append(sky)
    return found


def _tells_of(site: Site, subject: str, behind: Sequence[String]) -> set[str]:
    """Subjects whose findings say that a unit's power was not what it should be."""
    return {subject, *(f"string:{s.id}" for s in behind), f"inverter:{behind[0].inverter}"}


def _modules(view: DayView, string: String, held: Mask, gain: float, *, healthy: bool) -> list[KeptLooks]:
    measured = view.span.measured.modules_w
    names = [n for k in range(1, string.modules + 1) if (n := f"module:{string.id}/{k:02d}") in measured]
    if not names:
        return []
    power = np.where(held, np.nan, np.stack([view.part(measured[name]) for name in names]))
    looks = module_looks(
        power, view.in_the_open.physics, f"string:{string.id}", day=view.day, gain=gain, modules=string.modules,
        limit_w=_STRING_LIMIT * string.rated_w / string.modules, facing=_facing(view.site, [string]),
    )  # fmt: skip
    return [kept(name, one, gain=gain, healthy=healthy) for name, one in zip(names, looks, strict=True)]


def _facing(site: Site, strings: Sequence[String]) -> list[Facing]:
    planes = [(site.plane_of(s), s.rated_w) for s in strings]
    return [Facing(p.tilt_deg, p.azimuth_deg, watts) for p, watts in planes]


def _plane(site: Site, strings: Sequence[String]) -> tuple[float, float]:
    """The plane of most of the power."""
    watts: dict[str, float] = {}
    for string in strings:
        watts[string.plane] = watts.get(string.plane, 0.0) + string.rated_w
    most = max(watts, key=lambda plane: watts[plane])
    plane = next(p for p in site.plane if p.id == most)
    return plane.tilt_deg, plane.azimuth_deg


def _held_back(view: DayView) -> dict[str, Mask]:
    """By inverter id, where its rating held the power down, or the limit of what the home may export may have."""
    none = np.zeros(view.physics.starts.shape, dtype=bool)
    limit = view.site.site.export_limit_w
    exported = none if limit is None else _most_made(view) > _LIMITED * limit
    found = {}
    for inverter in view.site.inverter:
        made = view.power_w.get(f"inverter:{inverter.id}")
        with np.errstate(invalid="ignore"):
            full = none if made is None else made > _LIMITED * inverter.rated_ac_w
        found[inverter.id] = exported | full
    return found


def _most_made(view: DayView) -> Values:
    """The most that all inverters make together, measured or under a cloudless sky."""
    physics, gains = view.in_the_open.physics, view.in_the_open.gains
    units = [s for s in physics.power_w if s.startswith("inverter:")]
    parts = [np.fmax(gains[u].clear_sky * physics.clear_w(u), view.power_w.get(u, np.nan)) for u in units]
    return np.sum(parts, axis=0) if parts else np.zeros(physics.starts.shape)
