"""Where detectors explain the same thing, one of them speaks: one trouble, one finding."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from ingest.sources import subjects_of
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
    explained = {f"source:{s.id}" for s in site.source if _inverters(site, subjects_of(s)) <= out and subjects_of(s)}
    return [_taken_back(v) if v.cause == "missing_data" and v.subject in explained else v for v in verdicts]


def _taken_back(verdict: Verdict) -> Verdict:
    return replace(verdict, says="unclear", losses=()) if verdict.says == "trouble" else verdict


def _inverters(site: Site, subjects: Collection[str]) -> set[str]:
    """Inverters that some subjects belong to; a subject that belongs to none stands for itself."""
    wired = {f"string:{s.id}": f"inverter:{s.inverter}" for s in site.string}
    return {wired.get(subject, subject) for subject in subjects}
