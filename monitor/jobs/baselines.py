"""What the store knows of a site as it was installed, read out for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from monitor.config import Fleet, Site
from monitor.model.history import DayNote
from monitor.nightly.cases import remember
from monitor.nightly.installed import read_installed
from monitor.report.baseline import BaselineSheet, Learning, gather_baseline
from monitor.store import Store
from monitor.store.assessed import assessed_until
from monitor.store.baselines import read_baselines


def read_baseline_sheet(fleet: Fleet, store: Store, site: Site) -> BaselineSheet:
    """The as-installed baseline of a site as its last night left it."""
    name = fleet.settings.fleet.name
    with store.read() as conn:
        installed = read_installed(conn, site.id)
        until = assessed_until(conn, site.id)
        if until is None:
            return gather_baseline(site, installed, fleet=name, until=None, learning={})
        after = until + timedelta(days=1)
        history = remember(conn, site, after)
        frozen = {b.subject: b.frozen_on for b in read_baselines(conn, site.id)}  # the last epoch counts
    measured = [s for s, notes in history.notes.items() if s.startswith(("string:", "inverter:")) and _is_heard(notes)]
    gains = {subject: history.gains(subject, after) for subject in measured} | dict(installed.gains)
    learning = {
        subject: replace(_learning(history.notes.get(subject, ())), frozen_on=frozen.get(subject)) for subject in gains
    }
    return gather_baseline(site, replace(installed, gains=gains), fleet=name, until=until, learning=learning)


def _is_heard(notes: Sequence[DayNote]) -> bool:
    return any(note.usable > 0.0 or note.features.get("learn") for note in notes)


def _learning(notes: Sequence[DayNote]) -> Learning:
    """How far the healthy days of a unit have brought its gain."""
    healthy = [note.features for note in notes if note.features.get("learn")]
    clear, sensor, weather = (
        sum(1 for features in healthy if features.get(name) is not None) for name in ("clear_sky", "sensor", "weather")
    )
    return Learning(days=len(healthy), clear=clear, sensor=sensor, weather=weather)
