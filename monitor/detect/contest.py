"""Where detectors explain the same thing, one of them speaks: one trouble, one finding."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from ingest.sources import Source, TableSource, subjects_of
from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.night import Verdict


def settle(site: Site, verdicts: Sequence[Verdict], known: Collection[Finding]) -> list[Verdict]:
    """Take back what another verdict, or an open finding, explains better.

    An inverter that stands still often takes its own log down with it: a source that tells of such inverters alone is
    not missing data besides.
    """
    out = {v.subject for v in verdicts if v.cause == "inverter_outage" and v.says == "trouble"}
    recovered = {v.subject for v in verdicts if v.cause == "inverter_outage" and v.says == "healthy"}
    out |= {f.subject for f in known if f.cause == "inverter_outage" and f.state == "open"} - recovered
    told = {s.id: _inverters(site, _subjects(site, s)) for s in site.source}
    explained = {f"source:{source}" for source, inverters in told.items() if inverters and inverters <= out}
    return [_taken_back(v) if v.cause == "missing_data" and v.subject in explained else v for v in verdicts]


def _taken_back(verdict: Verdict) -> Verdict:
    return replace(verdict, says="unclear", losses=()) if verdict.says == "trouble" else verdict


def _subjects(site: Site, source: Source) -> Collection[str]:
    """What a source tells of; a long table tells of the strings with module electronics."""
    if isinstance(source, TableSource) and source.long is not None:
        return [f"string:{s.id}" for s in site.string if s.module_electronics]
    return subjects_of(source)


def _inverters(site: Site, subjects: Collection[str]) -> set[str]:
    """Inverters that some subjects belong to; a subject that belongs to none stands for itself."""
    wired = {f"string:{s.id}": f"inverter:{s.inverter}" for s in site.string}
    return {wired.get(subject, subject) for subject in subjects}
