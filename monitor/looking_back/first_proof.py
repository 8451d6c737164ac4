"""The one picture that proves a finding at a glance: of each cause its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
from sqlalchemy import Connection

from ingest.readings import Values
from ingest.timeline import local_day
from monitor.config.models import Fleet, Site
from monitor.detect.finding import Finding
from monitor.looking_back.proofs import by_witness, daily_ratio, gather_proofs, telling_day
from monitor.model.grid import STEP_S
from monitor.model.history import SiteHistory
from monitor.model.measured import Measured, measure
from monitor.model.span import utc_days
from monitor.nightly.memory import remember
from monitor.report.proof.against import Against
from monitor.report.proof.drawing import Proof
from monitor.report.proof.side_by_side import TellingDay
from monitor.report.words import day_words, join_names, share
from monitor.store.daily import read_daily
from monitor.store.readings import load_tables

_PLAIN_TO_SEE = 0.2  # share lost from which on a single day shows it
# What cannot be right is left out of every curve, and a clock's minutes are lost in a day of clouds.
_SHOWN_BY_NONE = frozenset({"data_fault", "clock_error"})
_WEAK = frozenset({"underperforming_string", "underperforming_module"})
_WHOLE_DAY = 0.9
_LIT = 0.25  # of a day's highest current, from which on a quarter hour counts
_DAYS = 3
_BALANCE, _BEFORE_DAYS = ("made_kwh", "house_kwh"), 60


def first_proof(conn: Connection, fleet: Fleet, site: Site, finding: Finding, last: date) -> tuple[Proof, str] | None:
    """A picture's data and what it shows, by what the night of `last` knew; None where none would prove anything."""
    if finding.cause in _SHOWN_BY_NONE:
        return None
    history = remember(conn, site.id, date.fromordinal(last.toordinal() + 1))
    if finding.cause == "underperforming_string":
        found = amps_against_volts(conn, site, finding, last)
        if found is not None:
            return found
    if finding.cause == "energy_imbalance":
        return house_balance(history, finding, last)
    if finding.cause in _WEAK and finding.evidence.get("loss_fraction", 0.0) < _PLAIN_TO_SEE:
        return by_witness(site, history, finding, last) or daily_ratio(conn, site, finding, last)
    if finding.cause in _WEAK:
        shown = telling_day(conn, fleet, site, finding, finding.since, last)
        return shown and (shown[0], in_numbers(*shown))
    proofs = gather_proofs(conn, fleet, site, history, [finding], finding.since, last, felt=())
    return (proofs[0].data, in_numbers(proofs[0].data, proofs[0].alt)) if proofs else None


def amps_against_volts(conn: Connection, site: Site, finding: Finding, last: date) -> tuple[Proof, str] | None:
    """A string's current against its voltage beside a like string's, where bypassed parts have lowered the voltage."""
    string = next((s for s in site.string if f"string:{s.id}" == finding.subject), None)
    if string is None or not finding.evidence.get("substrings_bypassed"):
        return None
    like = next(
        (s for s in site.string if s is not string and (s.plane, s.modules) == (string.plane, string.modules)), None
    )
    days = _brightest_days(conn, site, finding, last)
    if like is None or not days:
        return None
    points: dict[str, list[tuple[float, float]]] = {string.id: [], like.id: []}
    for day in days:
        measured = _measured(conn, site, day)
        for name, found in points.items():
            volts, amps = (measured.recorded.get((f"string:{name}", q)) for q in ("dc_voltage", "dc_current"))
            if volts is None or amps is None:
                return None
            found += _lit_points(volts.on_grid(), amps.on_grid())
    return lower_voltage(points, days)


def lower_voltage(
    points: Mapping[str, Sequence[tuple[float, float]]], days: Sequence[date]
) -> tuple[Proof, str] | None:
    """The picture of a string (the first) whose voltage [V] at like currents [A] is below a like one's (the second)."""
    (own_id, own), (like_id, like) = points.items()
    if not own or not like:
        return None
    here, there = (float(np.median([volts for volts, _ in found])) for found in (own, like))
    if here >= there:
        return None
    data = Against(
        x_label="string voltage, V", y_label="current, A", own_label=f"string {own_id}", own=own,
        beside_label=f"string {like_id}", beside=like,
    )  # fmt: skip
    return data, (
        f"Current against voltage of string {own_id} beside string {like_id} on {_days_words(days)}: at like currents "
        f"its voltage is about {there - here:.0f} V lower ({here:.0f} V beside {there:.0f} V in the middle)."
    )


def house_balance(history: SiteHistory, finding: Finding, last: date) -> tuple[Proof, str] | None:
    """What the house would use by its meters against what the roof made, day by day, since a trouble and before it."""
    made, house = (dict(zip(*map(list, history.series(finding.subject, name)), strict=True)) for name in _BALANCE)
    first, begun = (finding.since - timedelta(days=_BEFORE_DAYS)).toordinal(), finding.since.toordinal()
    days = sorted(day for day in made.keys() & house.keys() if first <= day <= last.toordinal())
    points = [(float(made[day]), float(house[day]), day >= begun) for day in days]
    own = [(x, y) for x, y, is_since in points if is_since]
    if not own:
        return None
    data = Against(
        x_label="the roof made, kWh a day", y_label="the house used by its meters, kWh a day",
        own_label=f"since {day_words(finding.since)}", own=own, beside_label="before",
        beside=[(x, y) for x, y, is_since in points if not is_since],
    )  # fmt: skip
    return data, (
        "What the house would use by its meters against what the roof made, day by day: between "
        f"{min(y for _, y in own):.0f} and {max(y for _, y in own):.0f} kWh a day since {day_words(finding.since)}."
    )


def in_numbers(data: Proof, alt: str) -> str:
    """What a picture shows; of a day's curves with how much of the others' or of what was expected was reached."""
    if not isinstance(data, TellingDay):
        return alt
    beside = [values for _, values in data.others] or ([data.expected] if data.expected is not None else [])
    rows = np.array([data.own, *beside], dtype=float)
    known = np.isfinite(rows).all(axis=0)
    own, *rest = rows[:, known].sum(axis=1).tolist()
    if not rest or sum(rest) <= 0.0:
        return alt
    what = (
        "what was expected"
        if not data.others
        else "what the other did"
        if len(rest) == 1
        else "what the others did in the mean"
    )
    return f"{alt.rstrip('.')}: it reached {share(own / (sum(rest) / len(rest)))} of {what}."


def _brightest_days(conn: Connection, site: Site, finding: Finding, last: date) -> list[date]:
    """The brightest days of a trouble, of those that were heard as a whole."""
    end = min(finding.last_seen, last)
    rows = [
        r
        for r in read_daily(conn, site=site.id, subject=finding.subject, first=finding.since, last=end)
        if r.expected_kwh is not None and r.measured_kwh is not None and r.usable >= _WHOLE_DAY
    ]
    rows.sort(key=lambda r: r.expected_kwh or 0.0, reverse=True)
    return sorted(r.day for r in rows[:_DAYS])


def _measured(conn: Connection, site: Site, day: date) -> Measured:
    begin, end = local_day(day, site.zone)
    utc = utc_days(site, day, day)
    tables = load_tables(conn, site=site.id, first_day=utc[0], last_day=utc[1])
    return measure(site, tables, np.arange(begin, end, STEP_S, dtype=np.int64))


def _lit_points(volts: Values, amps: Values) -> list[tuple[float, float]]:
    known = np.isfinite(volts) & np.isfinite(amps)
    lit = known & (amps >= _LIT * np.nanmax(np.where(known, amps, 0.0), initial=1e-9))
    return list(zip(volts[lit].tolist(), amps[lit].tolist(), strict=True))


def _days_words(days: Sequence[date]) -> str:
    return join_names([day_words(day) for day in days])
