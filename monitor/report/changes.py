"""What a finding's standing has become since the digest before: new, again, worse, renamed, cleared, or as it was.

*Worse* is one of two things. Its level was raised. Or its last seven days lost a share of what was expected that is by
a quarter above the worst week before them, and more than their own range explains: a trouble that loses much on one
day and little on the next is not worse on every bright morning, and one that grows is told once for each quarter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from monitor.detect.finding import LEVELS, Finding
from monitor.report.digest import ChangeKind
from monitor.report.energies import together
from monitor.report.words import LEVELS as LEVEL_WORDS
from monitor.report.words import cause_words, share

NEWS: frozenset[ChangeKind] = frozenset({"new", "again", "worse", "renamed"})
WEEK = timedelta(days=7)
GROWN = 1.25
LEAST_DAYS = 5  # of a week, with an expectation, for the week to count
LEAST_KWH = 1.0  # a week's loss above what was forecast


@dataclass(frozen=True, slots=True)
class Change:
    """What became of a finding, and why that is said, as a sentence."""

    kind: ChangeKind
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Share of what was expected that the last week lost (and at least lost), and the most that a week before did."""

    share: float
    low: float
    before: float


def growth(
    lost: Mapping[date, tuple[float, float]], expected: Mapping[date, float], *, since: date, until: date
) -> Growth | None:
    """The growth of a loss up to a day, if it is one.

    Parameters
    ----------
    lost : mapping of date to (kWh, kWh)
        What the finding cost on each day, and at least cost.
    expected : mapping of date to float
        What was expected of the unit that it costs energy [kWh].
    since, until : date
        First day of the trouble, and the last day that counts.

    Returns
    -------
    Growth or None
        None unless the week up to `until` lost a larger share than any week before it, as the head of this file says.
    """
    last = _week(lost, expected, until)
    ends = (until - WEEK - timedelta(days=n) for n in range(max((until - since).days - 2 * WEEK.days + 2, 0)))
    earlier = [week for end in ends if (week := _week(lost, expected, end)) is not None]
    if last is None or not earlier:
        return None
    before = max(kwh / total for kwh, _, total in earlier)
    kwh, low, total = last
    forecast = before * total
    if low <= GROWN * forecast or kwh - forecast < LEAST_KWH:
        return None
    return Growth(share=kwh / total, low=low / total, before=before)


def change_of(
    now: Finding, before: Finding | None, *, grown: Growth | None = None, had_grown: Growth | None = None
) -> Change:
    """What became of a finding since the digest before.

    Parameters
    ----------
    now, before : Finding
        As the last night left it, and as the last night that the digest before told of had; None: it was not known.
    grown, had_grown : Growth or None
        Up to either night. Only what was not told before is news.
    """
    if now.state == "cleared":
        return Change("cleared")
    if before is None:
        return Change("new")
    if before.state == "cleared":
        return Change("again", "It had been told as over, and has come back.")
    if LEVELS.index(now.level) > LEVELS.index(before.level):
        return Change("worse", f"It is worse: now {LEVEL_WORDS[now.level][0]}, before {LEVEL_WORDS[before.level][0]}.")
    if now.cause != before.cause:
        return Change("renamed", f"It was told before as: {cause_words(before.cause)}.")
    if grown is not None and had_grown is None:
        return Change(
            "worse",
            f"It is worse: the last seven days lost {share(grown.share)} of what was expected, no week before more "
            f"than {share(grown.before)}.",
        )
    return Change("unchanged")


def _week(
    lost: Mapping[date, tuple[float, float]], expected: Mapping[date, float], end: date
) -> tuple[float, float, float] | None:
    """Lost, at least lost, and expected in the seven days up to `end`; None where too few of them can be judged."""
    days = [day for n in range(WEEK.days) if expected.get(day := end - timedelta(days=n), 0.0) > 0.0]
    if len(days) < LEAST_DAYS:
        return None
    rows = [lost.get(day, (0.0, 0.0)) for day in days]
    kwh = sum(row[0] for row in rows)
    low = kwh - together([row[0] - row[1] for row in rows])
    return kwh, low, sum(expected[day] for day in days)
