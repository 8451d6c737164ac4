"""In which order a service team should look at findings: by what the next twelve months are worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.config.models import Site
from monitor.detect.finding import LEVELS, Finding
from monitor.detect.price import Price

# Days of a month with figures, from which on the month stands for itself; others follow the clear sky's seasons.
_KNOWN_DAYS = 10
_MONTH_DAYS = (31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
_WHOLE = frozenset({"failed_string", "inverter_outage"})
# Open circuits and contacts that get worse with current may burn.
_UNSAFE = frozenset({"failed_string", "battery_fault", "diverter_fault"})


@dataclass(frozen=True, slots=True)
class NextYear:
    """What an open finding costs over the next twelve months if nobody acts, should it be what it is called.

    `rank_kwh` is that energy times the chance that it is; `money` is None without a tariff.
    """

    kwh: float
    rank_kwh: float
    money: float | None
    basis: str | None


def year_energy(seen: Mapping[int, tuple[float, int]], clear_day: Sequence[float]) -> float | None:
    """Energy expected of a subject in a year [kWh].

    Parameters
    ----------
    seen : mapping of month (1 to 12) to (kWh, days)
        What was expected in the past year, and on how many days.
    clear_day : sequence of 12 floats
        Energy of a cloudless day in the middle of each month [kWh].

    Returns
    -------
    float or None
        Months with fewer than ten days follow the clear sky's seasons, at the level of the days that are known; None
        where no day is.
    """
    days = sum(n for _, n in seen.values())
    clear = sum(n * clear_day[month - 1] for month, (_, n) in seen.items())
    if days == 0 or clear <= 0.0:
        return None
    level = sum(kwh for kwh, _ in seen.values()) / clear
    total = 0.0
    for month, length in enumerate(_MONTH_DAYS, start=1):
        kwh, n = seen.get(month, (0.0, 0))
        total += length * (kwh / n if n >= _KNOWN_DAYS else level * clear_day[month - 1])
    return total


def is_whole(seen: Mapping[int, tuple[float, int]]) -> bool:
    """Whether every month of the year stands for itself."""
    return all(seen.get(month, (0.0, 0))[1] >= _KNOWN_DAYS for month in range(1, 13))


def next_year(
    finding: Finding, *, year_kwh: float | None, expected_since_kwh: float | None, price: Price | None
) -> NextYear | None:
    """What a finding is worth over the next twelve months; None for what is over or normal, or where nothing is known.

    Parameters
    ----------
    finding : Finding
        Its evidence tells how much of the energy is lost, or how much in a year; else what it has cost so far does.
    year_kwh : float or None
        Energy expected of the subject in a year [kWh].
    expected_since_kwh : float or None
        Energy expected of it since the trouble began [kWh].
    price : Price or None
        Of a lost kWh.
    """
    if finding.state != "open" or finding.level == "note":
        return None
    yearly = finding.evidence.get("lost_kwh_per_year")
    if yearly is None:
        share = _share(finding, expected_since_kwh)
        if share is None or year_kwh is None:
            return None
        yearly = share * year_kwh
    kwh = float(yearly)
    money = None if price is None else kwh * price.per_kwh
    return NextYear(kwh, finding.confidence * kwh, money, None if price is None else price.basis)


def is_unsafe(finding: Finding) -> bool:
    """Whether an open finding may be a danger: it comes first."""
    return finding.state == "open" and (finding.cause in _UNSAFE or bool(finding.evidence.get("grows_with_current")))


def turn(finding: Finding, value: NextYear | None) -> tuple[bool, int, float, float, str, str]:
    """Sort key: what may be a danger, then by level, then what the next year is worth, and what it has cost."""
    worth = 0.0 if value is None else value.rank_kwh
    return (
        not is_unsafe(finding), -LEVELS.index(finding.level), -worth, -finding.lost_kwh, finding.site, finding.id
    )  # fmt: skip


def bearer(site: Site, subject: str, with_rows: frozenset[str]) -> tuple[str, float] | None:
    """Whose expected energy stands for a subject's, and the part of it; None for what makes nothing.

    A module has its part of its string's, a string that nobody measures its part of its inverter's.
    """
    kind, _, name = subject.partition(":")
    if kind in ("site", "inverter"):
        return (subject, 1.0) if subject in with_rows else None
    string = next((s for s in site.string if s.id == (name.rpartition("/")[0] if kind == "module" else name)), None)
    if kind not in ("string", "module") or string is None:
        return None
    part = 1.0 / string.modules if kind == "module" else 1.0
    if f"string:{string.id}" in with_rows:
        return f"string:{string.id}", part
    if f"inverter:{string.inverter}" in with_rows:
        total = sum(s.rated_w for s in site.strings_of(string.inverter))
        return f"inverter:{string.inverter}", part * string.rated_w / total
    return None


def _share(finding: Finding, expected_since_kwh: float | None) -> float | None:
    if finding.cause in _WHOLE:
        return 1.0
    share = finding.evidence.get("loss_fraction")
    if share is not None:
        return float(share)
    if expected_since_kwh is None or expected_since_kwh <= 0.0:
        return None
    return min(finding.lost_kwh / expected_since_kwh, 1.0)
