"""What the store holds of a site as it was installed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import Any

from sqlalchemy import Connection

from monitor.model.gain import Gains
from monitor.model.installed import Installed, PlaneAsInstalled
from monitor.model.orientation import OrientationFit
from monitor.store.baselines import Baseline, read_baselines
from monitor.store.daily import assessed_days

_PLANE = "plane:"


def read_installed(conn: Connection, site: str) -> Installed:
    """The as-installed baseline of a site as its last night left it."""
    first, nights = assessed_days(conn, site)
    return installed_of(read_baselines(conn, site), first, nights)


def installed_of(baselines: Sequence[Baseline], first: date | None, nights: int) -> Installed:
    """The newest epochs of a site's baselines."""
    latest = {b.subject: b for b in baselines}  # in order of epoch
    planes = {name[len(_PLANE) :]: plane_of(b) for name, b in latest.items() if name.startswith(_PLANE)}
    gains = {name: gains_of(b) for name, b in latest.items() if name.startswith(("string:", "inverter:"))}
    return Installed(planes, {}, gains, first, nights)


def plane_baseline(site: str, plane: PlaneAsInstalled, *, epoch: int, learned_from: date) -> Baseline:
    """A plane as a row of the store."""
    values: dict[str, Any] = {
        "stated": list(plane.stated),
        "used": list(plane.used),
        "fit": None if plane.fit is None else asdict(plane.fit),
        "doubt": plane.doubt,
    }
    return Baseline(
        site=site,
        subject=f"{_PLANE}{plane.plane}",
        epoch=epoch,
        frozen_on=plane.learned_until,
        learned_from=learned_from,
        learned_until=plane.learned_until,
        values=values,
    )


def plane_of(baseline: Baseline) -> PlaneAsInstalled:
    """A plane from its row."""
    told = baseline.values
    stated, used = told["stated"], told["used"]
    return PlaneAsInstalled(
        plane=baseline.subject[len(_PLANE) :],
        stated=(stated[0], stated[1]),
        used=(used[0], used[1]),
        fit=None if told["fit"] is None else OrientationFit(**_numbers(told["fit"])),
        doubt=told["doubt"],
        learned_until=baseline.learned_until,
    )


def gains_of(baseline: Baseline) -> Gains:
    """Gains from their row; those not frozen yet are still being learned."""
    known = {name: baseline.values[name] for name in ("clear_sky", "sensor", "weather", "sigma")}
    return Gains(**known, complete=baseline.frozen_on is not None)


def _numbers(fit: dict[str, Any]) -> dict[str, Any]:
    """A stored fit with the numbers back that the store cannot hold: what is unknown there is infinite or NaN here."""
    endless = ("tilt_sigma", "azimuth_sigma", "better_than_stated")
    return {k: (float("inf") if k in endless else float("nan")) if v is None else v for k, v in fit.items()}
