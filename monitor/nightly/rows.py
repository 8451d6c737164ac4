"""A night's daily figures: what is kept of every subject, and what the next nights learn from it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ingest.quality import unit_jump
from ingest.readings import Mask, Values
from monitor.detect.evening import at_nothing
from monitor.detect.night import SiteNight, Verdict, heard_share
from monitor.model.dayview import (
    DayExpectation,
    DayView,
    clock_shift,
    day_ratios,
    deviation,
    marked_share,
    plane_irradiation_h,
)
from monitor.model.grid import STEP_S
from monitor.model.history import SiteHistory
from monitor.model.ladder import Expected
from monitor.model.series_day import series_features
from monitor.store.daily import DailyRow

# Below this share of the day's expectation with readings, ratios of the day would compare parts with wholes.
_WHOLE_DAY = 0.9
_SAYS = {"trouble": 1.0, "healthy": 0.0}


def daily_rows(
    view: DayView,
    expectation: DayExpectation,
    night: SiteNight,
    verdicts: Sequence[Verdict],
    history: SiteHistory,
    *,
    troubled: Collection[str],
    settled: Collection[str],
) -> list[DailyRow]:
    """Rows of a site's strings, inverters, meters, sources, and of the site itself.

    `troubled` are subjects with an open finding, from which nothing is learned; `settled` those whose baseline is
    frozen.
    """
    units = [
        _unit_row(view, expectation, s, history, troubled=s in troubled, settled=s in settled) for s in _told(view)
    ]
    inverters = [r for r in units if r.subject.startswith("inverter:")]
    rows = [
        _site_row(view, expectation, inverters, night, series_features(view, history, troubled)),
        *units,
        *_meter_rows(view),
        *_source_rows(view, night),
    ]
    said: dict[str, dict[str, float]] = {}
    for verdict in verdicts:
        if verdict.says in _SAYS:
            said.setdefault(verdict.subject, {})[f"says:{verdict.cause}"] = _SAYS[verdict.says]
    told = {row.subject for row in rows}
    more = sorted((night.traits.keys() | said.keys()) - told)
    rows += [DailyRow(site=view.site.id, subject=s, day=view.day) for s in more]
    return [_with_traits(row, night, said.get(row.subject, {}), open_finding=row.subject in troubled) for row in rows]


def _with_traits(row: DailyRow, night: SiteNight, said: Mapping[str, float], *, open_finding: bool) -> DailyRow:
    """The row with what was observed and said of its subject tonight, and whether a finding was open on it."""
    seen = {**night.traits.get(row.subject, {}), **said}
    if seen and open_finding:
        seen["open"] = 1.0
    return replace(row, features={**row.features, **seen}) if seen else row


def _told(view: DayView) -> list[str]:
    """Measurable strings, and every inverter that the model knows."""
    return [s for s in view.span.subjects() if s in view.power_w or s.startswith("inverter:")]


def _unit_row(
    view: DayView,
    expectation: DayExpectation,
    subject: str,
    history: SiteHistory,
    *,
    troubled: bool,
    settled: bool,
) -> DailyRow:
    expected = expectation.units[subject]
    power = view.power_w.get(subject)
    known = np.zeros(expected.power_w.shape, dtype=bool) if power is None else ~np.isnan(power)
    features: dict[str, float | None] = {}
    if power is not None:
        features |= _quality(view, expected, subject, None if troubled else history)
    if power is not None and not troubled:
        features |= {f"off:{expected.source}": deviation(expected, power), "clearness": expected.clearness}
    if power is not None and not troubled and not settled:
        features |= {"learn": 1.0, **day_ratios(view, subject)}
    return DailyRow(
        site=view.site.id,
        subject=subject,
        day=view.day,
        measured_kwh=_measured_kwh(view, subject, power),
        expected_kwh=_kwh(expected.power_w),
        expected_low_kwh=_kwh(expected.low_w),
        expected_high_kwh=_kwh(expected.high_w),
        irradiation_source=expected.source,
        availability=_availability(view, subject, expected, power),
        performance_ratio=_performance_ratio(view, expectation, subject, power),
        usable=_share(expected.power_w, known),
        features=features,
    )


def _quality(view: DayView, expected: Expected, subject: str, history: SiteHistory | None) -> dict[str, float | None]:
    """What is wrong with a unit's readings, where anything is, and on clear days what tells of clock and level.

    `marked:KIND` is the share of the day's expected energy whose readings have that mark, `unit:CHANNEL` a channel's
    level over the true one, `clock_s` how late the readings are stamped, `level` power over the cloudless power, and
    `unit` the factor of units that levels have been off by for days. A unit with an open finding (no `history` then)
    has no level: half of a roof at nothing looks like half a unit.
    """
    found: dict[str, float | None] = {f"marked:{k}": v for k, v in marked_share(view, expected, subject).items()}
    found |= _unit_faults(view, subject)
    if subject in view.in_thousandths:
        found["unit:power"] = 1e-3
    shift = clock_shift(view, subject)
    if shift is None:
        return found
    found["clock_s"] = round(shift)
    if history is None:
        return found
    clear = view.gains[subject].clear_sky * view.physics.clear_w(subject)
    found["level"] = level = float(np.nansum(view.power_w[subject]) / np.sum(clear))
    levels = np.append(history.nights(subject).known("level"), level)
    jump = unit_jump(levels, np.ones(levels.size))
    return found if jump is None else {**found, "unit": jump.factor}


def _unit_faults(view: DayView, subject: str) -> dict[str, float | None]:
    begin, end = int(view.physics.starts[0]), int(view.physics.starts[-1])
    return {
        f"unit:{fault.channel}": fault.factor
        for fault in view.span.measured.faults
        if fault.subject == subject and fault.factor is not None and begin <= fault.start <= end
    }


def _site_row(
    view: DayView,
    expectation: DayExpectation,
    inverters: Sequence[DailyRow],
    night: SiteNight,
    series: Mapping[str, float | None],
) -> DailyRow:
    """The sum over the inverters; measured only where every inverter's energy is known."""
    expected = sum(r.expected_kwh or 0.0 for r in inverters)
    measured = [r.measured_kwh for r in inverters if r.measured_kwh is not None]
    whole = len(measured) == len(inverters) and measured
    available = [(r.availability, r.expected_kwh or 0.0) for r in inverters if r.availability is not None]
    weight = sum(kwh for _, kwh in available)
    ratios = [(r.performance_ratio, r.expected_kwh or 0.0) for r in inverters]
    sources = [r.irradiation_source for r in sorted(inverters, key=lambda r: -(r.expected_kwh or 0.0))]
    return DailyRow(
        site=view.site.id,
        subject="site",
        day=view.day,
        measured_kwh=sum(measured) if whole else None,
        expected_kwh=expected,
        expected_low_kwh=sum(r.expected_low_kwh or 0.0 for r in inverters),
        expected_high_kwh=sum(r.expected_high_kwh or 0.0 for r in inverters),
        irradiation_source=sources[0] if sources else None,
        availability=sum(a * kwh for a, kwh in available) / weight if weight > 0.0 else None,
        performance_ratio=_mean_ratio(ratios),
        usable=sum(r.usable * (r.expected_kwh or 0.0) for r in inverters) / expected if expected > 0.0 else 0.0,
        features={
            "index": _day_index(view, expectation),
            "still": _still(night),
            **series,
        },
    )


def _still(night: SiteNight) -> float | None:
    """Whether a unit stood still on a day on which snow may lie, for the neighbours' next nights."""
    state = at_nothing(night) if night.snow_possible else None
    return None if state is None else float(state)


def _meter_rows(view: DayView) -> list[DailyRow]:
    """What the meters counted; nothing is expected of them."""
    counted = view.span.measured.counted_w
    energies = {m: _kwh_known(view.part(p)) for m, p in counted.items() if m.startswith("meter:")}
    return [
        DailyRow(
            site=view.site.id,
            subject=m,
            day=view.day,
            measured_kwh=kwh,
            usable=0.0 if kwh is None else 1.0,
            features=_unit_faults(view, m),
        )
        for m, kwh in energies.items()
    ]


def _source_rows(view: DayView, night: SiteNight) -> list[DailyRow]:
    shares = {source: heard_share(night, source) for source in night.heard}
    return [
        DailyRow(
            site=view.site.id,
            subject=f"source:{s}",
            day=view.day,
            usable=share or 0.0,
            features={"heard": share, **_mark_counts(view, s)},
        )
        for s, share in shares.items()
    ]


def _mark_counts(view: DayView, source: str) -> dict[str, float]:
    """How many of a source's readings of the day have a mark, by kind; kinds without any are left out."""
    marks = view.span.measured.marks.get(source)
    if marks is None:
        return {}
    begin, end = int(view.physics.starts[0]), int(view.physics.starts[-1]) + STEP_S
    counts: dict[str, float] = {}
    for one in marks.between(begin, end).summary():
        key = f"marks:{str(one.mark.name).lower()}"
        counts[key] = counts.get(key, 0.0) + one.count
    return counts


def _measured_kwh(view: DayView, subject: str, power: Values | None) -> float | None:
    """Energy of the day: an inverter's register where it covers the day, which gaps do not harm; else its power."""
    counted = view.span.measured.counted_w.get(subject)
    if counted is not None:
        day = view.part(counted)
        if not np.isnan(day).any():
            return float(np.sum(day)) * STEP_S / 3.6e6
    return None if power is None else _kwh_known(power)


def _availability(view: DayView, subject: str, expected: Expected, power: Values | None) -> float | None:
    if power is None or np.isnan(power).all():
        return None
    known = ~np.isnan(power) & (expected.low_w > 0.03 * view.span.rated_w(subject))
    if not known.any():
        return None
    limit = np.maximum(0.03 * expected.power_w, 0.004 * view.span.rated_w(subject))
    out = known & (np.nan_to_num(power) < limit)
    return 1.0 - float(np.sum(expected.power_w[out])) / float(np.sum(expected.power_w[known]))


def _performance_ratio(view: DayView, expectation: DayExpectation, subject: str, power: Values | None) -> float | None:
    """Final over reference yield (IEC 61724-1); None where the day's irradiation is only a guess."""
    expected = expectation.units[subject]
    if power is None or expected.source == "clear_sky":
        return None
    known = ~np.isnan(power) & ~np.isnan(expectation.index)
    if _share(expected.power_w, known) < _WHOLE_DAY:
        return None
    kind, _, name = subject.partition(":")
    strings = [name] if kind == "string" else [s.id for s in view.site.strings_of(name)]
    rated_kw = sum(s.rated_w for s in view.site.string if s.id in strings) / 1000.0
    reference = plane_irradiation_h(view, expectation.index, strings, known)
    final = float(np.sum(power[known])) * STEP_S / 3.6e6 / rated_kw
    return final / reference if reference > 0.1 else None


def _day_index(view: DayView, expectation: DayExpectation) -> float | None:
    """The day's mean clear-sky index, weighted by cloudless irradiance; None where little of the day is known."""
    known = ~np.isnan(expectation.index)
    clear = view.physics.clear.ghi
    if _share(clear, known) < 0.5:
        return None
    return float(np.sum(expectation.index[known] * clear[known]) / np.sum(clear[known]))


def _mean_ratio(ratios: Sequence[tuple[float | None, float]]) -> float | None:
    known = [(ratio, kwh) for ratio, kwh in ratios if ratio is not None]
    total = sum(kwh for _, kwh in known)
    return sum(ratio * kwh for ratio, kwh in known) / total if len(known) == len(ratios) and total > 0.0 else None


def _share(power_w: Values, known: Mask) -> float:
    total = float(np.sum(power_w))
    return float(np.sum(power_w[known])) / total if total > 0.0 else 0.0


def _kwh(power_w: Values) -> float:
    return float(np.sum(power_w)) * STEP_S / 3.6e6


def _kwh_known(power_w: Values) -> float | None:
    return None if np.isnan(power_w).all() else float(np.nansum(power_w)) * STEP_S / 3.6e6
