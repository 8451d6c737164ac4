"""What the nights left behind of a site as it was installed."""

from __future__ import annotations

from sqlalchemy import Connection

from monitor.model.gain import Gains
from monitor.model.installed import Installed
from monitor.nightly.doubts import is_of_a_unit
from monitor.store.baselines import Baseline, read_baselines
from monitor.store.daily import assessed_days


def read_installed(conn: Connection, site: str) -> Installed:
    """The gains of a site's units, the newest epoch of each, and for how long it was watched."""
    first, nights = assessed_days(conn, site)
    latest = {b.subject: b for b in read_baselines(conn, site) if is_of_a_unit(b)}  # in order of epoch
    return Installed(gains={s: _gains_of(b) for s, b in latest.items()}, learning_since=first, nights=nights)


def _gains_of(baseline: Baseline) -> Gains:
    """Gains from their row; those not frozen yet are still being learned."""
    known = {name: baseline.values[name] for name in ("clear_sky", "sensor", "weather", "sigma")}
    return Gains(**known, complete=baseline.frozen_on is not None)
