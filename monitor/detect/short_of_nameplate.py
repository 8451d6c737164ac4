"""A string that has made too little for its nameplate since its first weeks, beside a like one on its plane."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from ingest.readings import Values
from monitor.detect.night import PAPERS, DayLoss, SiteNight, Verdict
from monitor.detect.siblings import Member, members
from monitor.detect.weak import LEARNING_DAYS
from monitor.model.middle import median, quantile

FROM_THE_START = "from_the_start"
# Sound strings of one plane differ by a few per cent; a module is more than this in all but long strings.
_SHORT, _NEARLY_ALWAYS = 0.12, 0.9
_DAYS, _NIGHTS = 30, 3
# How well the other strings' level is known by their own nameplates.
_NAMEPLATES = 0.03
# Voltage tells of the module count when it bears out this part of the lack.
_BY_VOLTAGE = 0.5
_Z80 = 1.2816


def short_from_the_start(night: SiteNight, member: Member) -> Verdict | None:
    """Tonight's verdict on a string that has always lacked something; None where nothing points at it.

    Modules that are missing or bridged, a wrong count in the site file, and what shades all of a string look alike
    from afar: so the cause is told as uncertain, and to be watched.

    Notes
    -----
    Of two strings that differ, one may as well have more than its papers say. Then the voltage decides, which hardly
    depends on light, or else whether the string lies below its own nameplate under a clear sky.
    """
    string, subject = member.string, member.subject
    limit = float(np.log(1.0 - _SHORT))
    if night.traits.get(subject, {}).get("peer_mid", 0.0) > limit:  # as on nearly every night of nearly every string
        return None
    epoch = night.past.epochs.get(subject)
    if string is None or string.module_electronics or (epoch is not None and epoch.accepted):
        return None
    days, middle = night.series(subject, "peer_mid")
    best_days, best = night.series(subject, "peer_best")
    at = _first_of_run(middle, limit)
    if at is None or not best.size or quantile(best[best_days >= days[at]], _NEARLY_ALWAYS) > limit:
        return None
    days, middle = days[at:], middle[at:]
    size, spread = median(middle), 1.4826 * median(np.abs(middle - median(middle)))
    others = [m for m in members(night) if m.subject != subject and m.planes == member.planes]
    if not _is_the_odd_one(night, subject, [m.subject for m in others], size):
        return None
    sigma = float(np.hypot(spread / np.sqrt(days.size), _NAMEPLATES))
    known = night.open_finding(subject, "underperforming_string")
    first = int(days[0])
    return Verdict(
        subject, "underperforming_string", "trouble", confidence=0.5, since=date.fromordinal(first),
        losses=lacking(night, subject, size, sigma, first if known is None else night.day.toordinal()),
        evidence={
            "loss_fraction": round(1.0 - float(np.exp(size)), 4), "trait": "peer_mid", "shape": FROM_THE_START,
            "reference": 0.0, "log_change": round(size, 5), "log_change_sigma": round(sigma, 5),
            "days_after": int(days.size), "like_modules": round(string.modules * float(np.exp(size)), 1),
            "modules": string.modules, "from_the_first_day": at == 0,
        },
        nights_needed=_NIGHTS, others={PAPERS: 0.4, "shading_growth": 0.1}, level="watch",
    )  # fmt: skip


def _first_of_run(values: Values, limit: float) -> int | None:
    """Where a run of low days begins that reaches until tonight and came before a level could be learned."""
    for at in range(min(LEARNING_DAYS, values.size - _DAYS + 1)):
        if values[at] < limit and quantile(values[at:], _NEARLY_ALWAYS) < limit:
            return at
    return None


def lacking(night: SiteNight, subject: str, size: float, sigma: float, since: int) -> tuple[DayLoss, ...]:
    """What was not made on each day from `since` (ordinal) on, by what was; it may be nothing, if the papers err."""
    made = [(n.day, n.measured_kwh) for n in night.past.between(subject, date.fromordinal(since), night.day)]
    tonight = night.units.get(subject)
    if tonight is not None:
        made.append((night.day, night.energy_kwh(np.maximum(tonight.power_w, 0.0))))
    part, most = (float(np.exp(-min(s, 0.0))) - 1.0 for s in (size, size - _Z80 * sigma))
    return tuple(DayLoss(day, kwh * part, 0.0, kwh * most) for day, kwh in made if kwh is not None)


def _is_the_odd_one(night: SiteNight, subject: str, others: Sequence[str], size: float) -> bool:
    if len(others) != 1:
        return len(others) > 1
    volts = [night.series(one, "volt_off")[1] for one in (subject, others[0])]
    if all(v.size >= _DAYS for v in volts):
        own, other = (median(v) for v in volts)
        if own - other < _BY_VOLTAGE * size:
            return abs(own) > abs(other)
    clear = night.series(subject, "clear")[1]
    level = clear if clear.size >= 3 else night.series(subject, "outside")[1]
    return bool(level.size and median(level) < 0.0)
