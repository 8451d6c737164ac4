"""Losses that add up: what was expected of a roof is what it made, what is known to be lost, and the unexplained."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.table import KINDS
from monitor.store.daily import DailyRow

By = Literal["month", "day"]

# Who takes first of what a unit was expected to make: what stands still loses it whole, whatever else is wrong.
_ORDER = ("standstill", "grid", "snow")
_LIMITS = ("export_limiting", "clipping")
# An inverter held at its own rating makes all that is expected of it.
_AT_RATING = 0.97


@dataclass(frozen=True, slots=True)
class Reckoning:
    """Energies of a span of days [Wh], of which `expected = measured + findings + notes + gaps + unexplained`.

    `findings` by id and `notes` by cause are what each took away from the energy expected, nothing
    twice; `gaps` what was expected while nothing was recorded. `unexplained` is negative where the roof made more than
    was expected. Beside the sum stand `left_out`, what findings told of losses that others had taken already or
    that nobody expected that day, and `beyond_expected`, what the roof could have made above its inverters' ratings.
    """

    first: date
    last: date
    days: int
    expected: int = 0
    measured: int = 0
    findings: Mapping[str, int] = field(default_factory=dict)
    notes: Mapping[str, int] = field(default_factory=dict)
    gaps: int = 0
    unexplained: int = 0
    left_out: int = 0
    beyond_expected: int = 0


@dataclass(slots=True)
class _Rest:
    """What is left of the energy expected of an inverter's strings [kWh of alternating current], by string id."""

    inverter: str
    expected: float
    measured: float
    usable: float
    by_string: dict[str, float]
    at_first: dict[str, float]  # what was expected of each string

    @property
    def left(self) -> float:
        """Expected and not taken by anything yet."""
        return sum(self.by_string.values())

    def take(self, share: float, string: str | None = None) -> float:
        """Take a share of what is left of one string or of all."""
        taken = 0.0
        for name in [string] if string is not None else list(self.by_string):
            part = min(max(share, 0.0), 1.0) * self.by_string[name]
            self.by_string[name] -= part
            taken += part
        return taken


def reckon_day(
    site: Site, day: date, rows: Sequence[DailyRow], lost: Sequence[tuple[Finding, float]]
) -> Reckoning | None:
    """Add up one local day.

    Parameters
    ----------
    site : Site
        Its file: which string hangs on which inverter.
    day : date
        The local day.
    rows : sequence of DailyRow
        The day's rows; those of inverters and strings are used.
    lost : sequence of (Finding, float)
        What each finding lost on the day [kWh], as the inverter would have delivered it.

    Returns
    -------
    Reckoning or None
        None where nothing is expected of any inverter.

    Notes
    -----
    A loss is a share of what was expected of its subject. One after the other takes its share of what the ones before
    have left of it, so that a dead string on a dirty roof loses its energy once, and nothing loses more than was
    expected. What an engineer has called no fault is left to the unexplained.
    """
    by_subject = {row.subject: row for row in rows}
    rests = [rest for i in site.inverter if (rest := _rest(site, i.id, by_subject)) is not None]
    if not rests:
        return None
    expected = sum(rest.expected for rest in rests)
    measured = sum(rest.measured for rest in rests)
    findings: dict[str, float] = {}
    notes: dict[str, float] = {}
    left_out = beyond = 0.0
    for finding, kwh in sorted(lost, key=lambda pair: _turn(pair[0])):
        if finding.verdict == "not-a-fault" or kwh <= 0.0:
            continue
        if finding.cause in _LIMITS:
            taken, rest_of_it = _limited(rests, finding, kwh)
            beyond += rest_of_it
        else:
            taken, wanted = _taken(site, rests, finding.subject, kwh)
            left_out += wanted - taken
        if finding.level == "note":
            notes[finding.cause] = notes.get(finding.cause, 0.0) + taken
        else:
            findings[finding.id] = findings.get(finding.id, 0.0) + taken
    gaps = sum(_gap(rest) for rest in rests)
    whole = {name: _wh(kwh) for name, kwh in findings.items()}
    normal = {name: _wh(kwh) for name, kwh in notes.items()}
    unexplained = _wh(expected) - _wh(measured) - sum(whole.values()) - sum(normal.values()) - _wh(gaps)
    return Reckoning(
        day, day, 1, _wh(expected), _wh(measured), whole, normal, _wh(gaps), unexplained, _wh(left_out), _wh(beyond)
    )


def sum_up(days: Iterable[Reckoning], by: By) -> list[Reckoning]:
    """Days put together by calendar month, or left alone; in order."""
    parts: dict[tuple[int, ...], list[Reckoning]] = {}
    for day in sorted(days, key=lambda r: r.first):
        key = (day.first.year, day.first.month) if by == "month" else (day.first.toordinal(),)
        parts.setdefault(key, []).append(day)
    return [together(part) for part in parts.values()]


def together(parts: Sequence[Reckoning]) -> Reckoning:
    """Several spans as one; at least one."""
    return Reckoning(
        min(p.first for p in parts),
        max(p.last for p in parts),
        sum(p.days for p in parts),
        sum(p.expected for p in parts),
        sum(p.measured for p in parts),
        _summed(p.findings for p in parts),
        _summed(p.notes for p in parts),
        sum(p.gaps for p in parts),
        sum(p.unexplained for p in parts),
        sum(p.left_out for p in parts),
        sum(p.beyond_expected for p in parts),
    )


def _rest(site: Site, inverter: str, rows: Mapping[str, DailyRow]) -> _Rest | None:
    row = rows.get(f"inverter:{inverter}")
    strings = site.strings_of(inverter)
    if row is None or row.expected_kwh is None or not strings:
        return None
    own = {s.id: rows[f"string:{s.id}"].expected_kwh for s in strings if f"string:{s.id}" in rows}
    known = {name: kwh for name, kwh in own.items() if kwh is not None}
    weights = known if len(known) == len(strings) and sum(known.values()) > 0.0 else {s.id: s.rated_w for s in strings}
    total = sum(weights.values())
    parts = {name: row.expected_kwh * weight / total for name, weight in weights.items()}
    return _Rest(inverter, row.expected_kwh, row.measured_kwh or 0.0, row.usable, parts, dict(parts))


def _turn(finding: Finding) -> tuple[int, int, str, str]:
    family = KINDS[finding.cause].family
    place = _ORDER.index(family) if family in _ORDER else len(_ORDER) + (finding.cause in _LIMITS)
    kinds = ("site", "inverter", "string", "module")
    kind = finding.subject.partition(":")[0]
    return place, kinds.index(kind) if kind in kinds else len(kinds), finding.raised.isoformat(), finding.id


def _taken(site: Site, rests: Sequence[_Rest], subject: str, kwh: float) -> tuple[float, float]:
    """What a loss takes of what is left, and what it would have taken of a roof without any other loss [kWh, AC]."""
    kind, _, name = subject.partition(":")
    if kind == "site":
        total = sum(rest.expected for rest in rests)
        return (sum(rest.take(kwh / total) for rest in rests), kwh) if total > 0.0 else (0.0, kwh)
    string = name.rpartition("/")[0] if kind == "module" else name
    for rest in rests:
        if kind == "inverter" and rest.inverter == name:
            return (rest.take(kwh / rest.expected), kwh) if rest.expected > 0.0 else (0.0, kwh)
        if kind in ("string", "module") and string in rest.by_string:
            whole = rest.at_first[string]
            return (rest.take(kwh / whole, string), kwh) if whole > 0.0 else (0.0, kwh)
    return 0.0, 0.0  # what meters, batteries and data sources lose is not the roof's


def _limited(rests: Sequence[_Rest], finding: Finding, kwh: float) -> tuple[float, float]:
    """What a limit took of what was expected, and what it took above that: only what was not made can be taken."""
    level, rated = finding.evidence.get("level_w"), finding.evidence.get("rated_ac_w")
    if finding.cause == "clipping" and (level is None or rated is None or level >= _AT_RATING * rated):
        return 0.0, kwh
    kind, _, name = finding.subject.partition(":")
    touched = [rest for rest in rests if kind == "site" or rest.inverter == name]
    missing = sum(max(rest.left - rest.measured, 0.0) for rest in touched)
    part = min(kwh, missing) / missing if missing > 0.0 else 0.0
    taken = sum(
        rest.take(part * max(rest.left - rest.measured, 0.0) / rest.left) for rest in touched if rest.left > 0.0
    )
    return taken, kwh - taken


def _gap(rest: _Rest) -> float:
    """Expected while nothing was recorded, as far as neither a register nor a finding tells of that time."""
    return min((1.0 - rest.usable) * rest.expected, max(rest.left - rest.measured, 0.0))


def _summed(parts: Iterable[Mapping[str, int]]) -> dict[str, int]:
    found: dict[str, int] = {}
    for part in parts:
        for name, value in part.items():
            found[name] = found.get(name, 0) + value
    return found


def _wh(kwh: float) -> int:
    return round(1000.0 * kwh)
