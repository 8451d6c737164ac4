"""Findings that are told together: of one cause on one site, or of one likely cause on several."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import PurePosixPath
from typing import TypeVar

from ingest.sources import Source
from monitor.config.models import Site
from monitor.detect.finding import Finding

# Of one cause on one site: begun so near to each other, and, of shade, in nearly one direction.
_SAME_DAYS, _SAME_DEG = timedelta(days=14), 20.0
_EARTH_KM = 6371.0

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Bond:
    """What ties findings of several sites: so near, begun within so many days; `hint` says what that points to."""

    km: float | None  # None: by the way on which their readings come
    days: int
    hint: str


# Distances and spans are planning values: a street's transformer serves some hundred metres, dust and haze a region.
_BY_WAY = Bond(None, 1, "look at the export that they share before any single site")
BONDS: Mapping[str, Bond] = {
    "grid_voltage_trip": Bond(2.0, 60, "it is likely the street's grid, not the inverters: one complaint for all"),
    "inverter_outage": Bond(2.0, 1, "ask about an interruption of the mains before any inverter"),
    "soiling": Bond(15.0, 30, "dust or haze of the region, or the weather data, is likelier than dirt on every roof"),
    "missing_data": _BY_WAY,
    "data_fault": _BY_WAY,
    "clock_error": _BY_WAY,
}


@dataclass(frozen=True, slots=True)
class Group:
    """Findings to be told once, in the order in which they were given, and why they are together (of several sites)."""

    findings: tuple[Finding, ...]
    common: str = ""


def clustered(items: Sequence[T], tied: Callable[[T, T], bool]) -> list[list[T]]:
    """Items in clusters, each item tied to at least one other of its cluster; all in the order given."""
    clusters: list[list[int]] = []
    for n, item in enumerate(items):
        near = [c for c in clusters if any(tied(item, items[i]) for i in c)]
        clusters = [c for c in clusters if c not in near] + [[*(i for c in near for i in c), n]]
    return [[items[i] for i in sorted(cluster)] for cluster in sorted(clusters, key=min)]


def grouped(findings: Sequence[Finding], sites: Mapping[str, Site]) -> list[Group]:
    """Findings in groups, in order of each group's first."""
    groups = clustered(findings, lambda one, other: _tied(one, other, sites))
    return [Group(tuple(group), _common(group, sites)) for group in groups]


def distance_km(one: Site, other: Site) -> float:
    """How far two sites are apart, as the crow flies."""
    (a, b), (c, d) = ((math.radians(s.site.latitude), math.radians(s.site.longitude)) for s in (one, other))
    half = math.sin((c - a) / 2.0) ** 2 + math.cos(a) * math.cos(c) * math.sin((d - b) / 2.0) ** 2
    return 2.0 * _EARTH_KM * math.asin(math.sqrt(half))


def ways_in(site: Site, subject: str) -> frozenset[str]:
    """The ways on which a subject's readings may come: folder, host or service, and the layout of the export."""
    name = subject.removeprefix("source:")
    sources = [s for s in site.source if s.id == name] if subject.startswith("source:") else list(site.source)
    return frozenset(way for source in sources for way in _ways(source))


def _ways(source: Source) -> list[str]:
    told = source.model_dump(exclude={"id", "files"})
    ways = [f"layout {source.kind} {told}"]
    if (files := getattr(source, "files", None)) is not None:
        ways.append(f"folder {PurePosixPath(files).parent}")
    if (host := getattr(source, "host", None)) is not None:
        ways.append(f"host {host}")
    return ways


def _tied(one: Finding, other: Finding, sites: Mapping[str, Site]) -> bool:
    if one.cause != other.cause:
        return False
    if one.evidence.get("fault") != other.evidence.get("fault"):
        return False
    apart = abs(one.since - other.since)
    if one.site == other.site:
        return apart <= _SAME_DAYS and _one_direction(one, other)
    bond = BONDS.get(one.cause)
    if bond is None or apart > timedelta(days=bond.days):
        return False
    here, there = sites[one.site], sites[other.site]
    if bond.km is not None:
        return distance_km(here, there) <= bond.km
    return bool(ways_in(here, one.subject) & ways_in(there, other.subject))


def _one_direction(one: Finding, other: Finding) -> bool:
    a, b = (f.evidence.get("azimuth_deg") for f in (one, other))
    return a is None or b is None or abs((a - b + 180.0) % 360.0 - 180.0) <= _SAME_DEG


def _common(group: Sequence[Finding], sites: Mapping[str, Site]) -> str:
    names = list(dict.fromkeys(f.site for f in group))
    if len(names) < 2:
        return ""
    bond = BONDS[group[0].cause]
    if bond.km is None:
        return f"{len(names)} sites whose readings come the same way, begun within a day: {bond.hint}."
    widest = max(distance_km(sites[a], sites[b]) for a in names for b in names)
    where = "less than 1 km apart" if widest < 1.0 else f"within {widest:.0f} km"
    return f"{len(names)} sites {where}, begun about the same time: {bond.hint}."
