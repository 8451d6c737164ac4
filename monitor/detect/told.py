"""Which source of a site tells which of its powers."""

from __future__ import annotations

from collections.abc import Mapping

from ingest.sources import TableSource, points_of
from monitor.config.models import Site

# The first of these that any source gives is what a subject's power rests on.
_POWERS = (frozenset({"ac_power", "dc_power"}), frozenset({"dc_voltage", "dc_current"}), frozenset({"ac_energy"}))


def told_by(site: Site) -> Mapping[str, tuple[str, ...]]:
    """Strings, inverters and generation meters by the id of the source that their power comes from."""
    found: dict[str, list[str]] = {source.id: [] for source in site.source}
    generation = {f"meter:{m.id}" for m in site.meter if m.role == "generation"}
    subjects = {f"string:{s.id}" for s in site.string} | {f"inverter:{i.id}" for i in site.inverter} | generation
    for subject in sorted(subjects):
        source = _source_of(site, subject)
        if source is not None:
            found[source].append(subject)
    return {source: tuple(subjects) for source, subjects in found.items()}


def _source_of(site: Site, subject: str) -> str | None:
    strings = {f"string:{s.id}" for s in site.string if s.module_electronics}
    for wanted in _POWERS:
        for source in site.source:
            if any(p.of == subject and p.quantity in wanted for p in points_of(source)):
                return source.id
            if isinstance(source, TableSource) and source.long is not None and subject in strings:
                return source.id
    return None
