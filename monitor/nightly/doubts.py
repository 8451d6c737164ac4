"""Doubts about a site file: planes fitted to the power of clear days, at two ages of a site, beside what is stated."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.nightly.nameplates import nameplate_doubts
from monitor.nightly.places import PLACE, place_doubts
from monitor.nightly.planes import fit_planes, healthy_days
from monitor.store import Store
from monitor.store.baselines import Baseline
from monitor.store.daily import read_daily

# Nights after the first one: the first summer half or winter half is seen, and then the whole year.
_AT_NIGHTS = (90, 365)
_PREFIX = "plane:"


def plane_baselines(
    store: Store, site: Site, findings: Sequence[Finding], *, since: date, night: date
) -> list[Baseline]:
    """The planes of a site as its power tells them, on the nights on which that is looked at; elsewhere nothing."""
    nights = (night - since).days
    if nights not in _AT_NIGHTS:
        return []
    with store.read() as conn:
        healthy = healthy_days(site, read_daily(conn, site=site.id, last=night), findings)
        first = min((day for days in healthy.values() for day in days), default=None)
        planes = {} if first is None else fit_planes(conn, site, healthy, first, night)
    return [
        Baseline(
            site=site.id,
            subject=f"{_PREFIX}{name}",
            epoch=_AT_NIGHTS.index(nights),
            frozen_on=night,
            learned_from=first or night,
            learned_until=night,
            values={
                "tilt_deg": round(plane.fit.tilt_deg, 1),
                "azimuth_deg": round(plane.fit.azimuth_deg, 1),
                "trusted": plane.fit.trusted,
                "doubt": plane.doubt,
            },
        )
        for name, plane in planes.items()
        if plane.fit is not None
    ]


def is_of_a_plane(baseline: Baseline) -> bool:
    """Whether a baseline tells of a plane."""
    return baseline.subject.startswith(_PREFIX)


def is_of_a_unit(baseline: Baseline) -> bool:
    """Whether a baseline tells of a unit, rather than of what is on paper."""
    return not is_of_a_plane(baseline) and baseline.subject != PLACE


def doubted_after(doubted: frozenset[str], looked: Sequence[Baseline]) -> frozenset[str]:
    """Planes in doubt after some more looks at them, oldest first."""
    for one in (b for b in looked if is_of_a_plane(b)):
        plane = {one.subject.removeprefix(_PREFIX)}
        doubted = doubted | plane if one.values.get("doubt") else doubted - plane
    return doubted


def doubts_of(sites: Sequence[Site], baselines: Sequence[Baseline]) -> list[str]:
    """The doubts of the newest look at each place and plane, and of the levels that units had when they were new."""
    newest = {(b.site, b.subject): b for b in baselines if is_of_a_plane(b)}  # in order of epoch
    planes = [
        (b.site, f"{b.site}: plane {b.subject.removeprefix(_PREFIX)}: {doubt}")
        for b in newest.values()
        if (doubt := b.values.get("doubt"))
    ]
    places = place_doubts(sites, baselines)
    nameplates = nameplate_doubts(sites, baselines, {site for site, _ in planes})
    return [*places, *(text for _, text in planes), *nameplates]
