"""What a complaint comes to: the likeliest main cause, how sure that is, or that it cannot be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from ingest.readings import Values
from monitor.detect.finding import Finding
from monitor.report.callback.waterfall import Group, Step, Waterfall

Kind = Literal["weather", "quote", "shade", "fault", "limits", "meter", "use", "cannot_tell"]

# Less than that short of the start, and the roof makes what it should; meters alone may read 3 % apart.
LEAST_SHORT = 0.03
# A main cause is named from this chance on that no other takes more.
SURE_ENOUGH = 0.5
# Below this share of the period's days, or fewer days, nothing is concluded.
LEAST_COVERED, LEAST_DAYS = 0.6, 14
# A second cause is named beside the first when it takes this much of what that takes.
NEXT_TO = 0.5
# What is lost beside enough is told from this part of the start on.
LEAST_BESIDES = 0.01
# A roof makes what it should within so much; and what its meters may be off by, one sigma (planning values).
WITHIN, _METER_SIGMA = 0.06, 0.02
_DRAWS = 4000
GROUPS: tuple[Group, ...] = ("weather", "quote", "shade", "fault", "limits", "gaps", "meter", "unexplained")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The outcome: `certainty` is the chance that nothing else takes more; `chances` by group hold it for all.

    `second` is a group that takes nearly as much, `why_not` says why nothing can be told; `short` is the part of the
    start that is missing in the end.
    """

    kind: Kind
    certainty: float
    chances: Mapping[Group, float]
    short: float
    second: Group | None = None
    why_not: str = ""


def judge(waterfall: Waterfall, findings: Mapping[str, Finding], *, covered: float, is_guess: bool) -> Verdict:
    """Judge a period.

    Parameters
    ----------
    waterfall : Waterfall
        Its steps.
    findings : mapping of str to Finding
        By id: a step counts only as often as its findings are right.
    covered : float
        Share of the period's days that could be reckoned, 0 to 1.
    is_guess : bool
        Whether nobody saw the sky for most of the energy.
    """
    chances = _chances(waterfall, findings)
    short = (waterfall.start - waterfall.end) / waterfall.start if waterfall.start > 0 else 0.0
    if covered < LEAST_COVERED or waterfall.days < LEAST_DAYS:
        why = "too few of its days have figures"
        return Verdict(kind="cannot_tell", certainty=0.0, chances=chances, short=short, why_not=why)
    if short < LEAST_SHORT:
        return Verdict(
            kind="use", certainty=_made_it(waterfall, short), chances=chances, short=short,
            second=_besides(waterfall),
        )  # fmt: skip
    first = max(GROUPS, key=lambda g: chances[g])
    reasons = {
        "unexplained": "the largest part of what is missing is not explained by anything that the readings show",
        "gaps": "most of what is missing was not recorded, so it may have been made",
    }
    if first in reasons:
        return Verdict(
            kind="cannot_tell", certainty=chances[first], chances=chances, short=short, why_not=reasons[first]
        )
    if first == "weather" and is_guess:
        why = "nobody saw the sky above this roof for most of the energy, so weather and roof cannot be told apart"
        return Verdict(kind="cannot_tell", certainty=chances[first], chances=chances, short=short, why_not=why)
    if chances[first] < SURE_ENOUGH:
        why = "no cause stands out from the others"
        return Verdict(
            kind="cannot_tell", certainty=chances[first], chances=chances, short=short,
            second=_second(waterfall, first), why_not=why,
        )  # fmt: skip
    kinds: dict[Group, Kind] = {
        "weather": "weather", "quote": "quote", "shade": "shade", "fault": "fault", "limits": "limits",
        "meter": "meter",
    }  # fmt: skip
    return Verdict(
        kind=kinds[first], certainty=chances[first], chances=chances, short=short, second=_second(waterfall, first)
    )


def _besides(waterfall: Waterfall) -> Group | None:
    """What is lost although the roof made enough, where it is worth a word."""
    groups: tuple[Group, ...] = ("fault", "shade", "limits", "meter")
    taken = {g: -waterfall.group(g) for g in groups}
    other = max(taken, key=lambda g: taken[g])
    return other if taken[other] >= LEAST_BESIDES * waterfall.start > 0 else None


def _second(waterfall: Waterfall, first: Group) -> Group | None:
    taken = {g: -waterfall.group(g) for g in GROUPS if g != first}
    other = max(taken, key=lambda g: taken[g])
    return other if taken[other] >= NEXT_TO * -waterfall.group(first) > 0 else None


def _chances(waterfall: Waterfall, findings: Mapping[str, Finding]) -> dict[Group, float]:
    """How often each group takes most, over draws of all that is doubtful.

    What is expected, and what is usual, is doubtful in common: an error of it makes weather smaller and something else
    larger. A finding that is wrong leaves its loss to the unexplained.
    """
    rng = np.random.default_rng(20260601)
    drawn = {g: np.zeros(_DRAWS) for g in GROUPS}
    expected = rng.normal(0.0, 1.0, _DRAWS) * waterfall.weather_sigma
    usual = rng.normal(0.0, 1.0, _DRAWS) * waterfall.usual_sigma
    for step in waterfall.steps:
        if step.key == "weather":
            drawn["weather"] += step.wh + expected - usual
        elif step.key == "as_built":
            drawn["quote"] += step.wh + usual
        elif step.key == "unexplained":
            drawn["unexplained"] += step.wh - expected
        elif step.group == "gaps" or step.group == "meter":
            drawn[step.group] += step.wh
        else:
            own = _drawn(step, findings, rng)
            drawn[step.group] += own
            if step.key != "installed_shade":
                drawn["unexplained"] += step.wh - own
    least = np.argmin(np.stack([drawn[g] for g in GROUPS]), axis=0)
    return {g: float(np.mean(least == i)) for i, g in enumerate(GROUPS)}


def _drawn(step: Step, findings: Mapping[str, Finding], rng: np.random.Generator) -> Values:
    """Draws of a step that rests on findings or is modelled."""
    sure = [findings[name].confidence for name in step.findings if name in findings]
    is_right = rng.random(_DRAWS) < (sum(sure) / len(sure) if sure else 1.0)
    return np.where(is_right, np.minimum(rng.normal(step.wh, max(step.sigma, 0.0), _DRAWS), 0.0), 0.0)


def _made_it(waterfall: Waterfall, short: float) -> float:
    """The chance that no more is missing than WITHIN: of a quote by the meter's doubt, else by the weather's too."""
    weather = 0.0 if waterfall.starts_with_quote or not waterfall.start else waterfall.weather_sigma / waterfall.start
    return float(ndtr((WITHIN - short) / np.hypot(_METER_SIGMA, weather)))
