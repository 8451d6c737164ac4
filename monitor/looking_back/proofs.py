"""The data behind pictures that prove findings, gathered from the store."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.timeline import local_day
from monitor.config.models import Fleet, Site
from monitor.detect.finding import Finding
from monitor.detect.least_loss import WITNESS_OF_MODULES, WITNESSES
from monitor.detect.telling.phrases import compass, subject_in_words
from monitor.looking_back.yields import interval_yields
from monitor.model.dayview import measurable
from monitor.model.grid import STEP_S
from monitor.model.history import SiteHistory
from monitor.model.measured import Measured, measure
from monitor.model.span import measured_power, utc_days
from monitor.report.callback.pack import FindingProof
from monitor.report.proof.against import Against
from monitor.report.proof.drawing import Proof
from monitor.report.proof.ratio import DailyRatio
from monitor.report.proof.registers import TwoRegisters
from monitor.report.proof.side_by_side import TellingDay
from monitor.report.proof.sky import NewShade
from monitor.report.sunpath import SunView
from monitor.report.words import day_words, share
from monitor.store.daily import DailyRow, read_daily
from monitor.store.readings import load_tables

MOST_FINDINGS = 8
_BEFORE_DAYS, _AFTER_DAYS = 60, 90
_WHOLE_DAY = 0.9
_LEAST_DAYS = 5  # before the trouble began, so that its trait has a level to be held against
_NO_PICTURE = frozenset({"missing_data"})
_LIMITS, _COSTLY_KWH = frozenset({"clipping", "export_limiting"}), 20.0
_READINGS_ONLY = frozenset({"data_fault", "clock_error"})  # whose energies say nothing of the unit
_REGISTERS = frozenset({"meter_disagreement"})
_BY_DAY_ALONE = frozenset({"soiling", "snow"})  # whose single days look like any other
_BY_LIGHT = _LIMITS | {"shading_growth"}  # which show best under a clear sky


def gather_proofs(
    conn: Connection, fleet: Fleet, site: Site, history: SiteHistory, findings: Sequence[Finding], first: date,
    last: date, *, felt: Collection[str],
) -> tuple[FindingProof, ...]:  # fmt: skip
    """Pictures of the findings of a period, one or two each, the costliest first.

    `felt` are those that took anything of what was expected: of limits, which are notes, the costly ones among them.
    """
    found: list[FindingProof] = []
    drawn: set[tuple[object, ...]] = set()
    for finding in [f for f in findings if _has_picture(f, felt)][:MOST_FINDINGS]:
        for data, alt in _of_finding(conn, fleet, site, history, finding, first, last):
            key = _sight(data)
            if key not in drawn:
                drawn.add(key)
                found.append(FindingProof(finding=finding.id, data=data, alt=alt))
    return tuple(found)


def _has_picture(finding: Finding, felt: Collection[str]) -> bool:
    costly = finding.cause in _LIMITS and finding.id in felt and finding.lost_kwh >= _COSTLY_KWH
    return finding.cause not in _NO_PICTURE and (finding.level != "note" or costly)


def _sight(data: Proof) -> tuple[object, ...]:
    """What tells a picture from others: the strings of a plane often have the same trouble, and show the same."""
    if isinstance(data, NewShade):
        return "sky", data.from_deg, data.to_deg, data.top_deg
    if isinstance(data, TellingDay):
        return "day", data.day, data.own_label
    if isinstance(data, DailyRatio):
        return "ratio", data.of, data.since
    if isinstance(data, Against):
        return "against", data.own_label
    return "registers", data.meter_label


def _of_finding(
    conn: Connection, fleet: Fleet, site: Site, history: SiteHistory, finding: Finding, first: date, last: date
) -> list[tuple[Proof, str]]:
    proofs: list[tuple[Proof, str] | None] = []
    if finding.cause in _REGISTERS:
        proofs.append(_registers(conn, site, finding, first, last))
    elif finding.cause == "shading_growth":
        proofs.append(_sky(site, history, finding))
    if finding.cause not in _REGISTERS:
        if finding.cause not in _BY_DAY_ALONE:
            proofs.append(telling_day(conn, fleet, site, finding, first, last))
        if finding.cause not in _READINGS_ONLY | _LIMITS:
            proofs.append(by_witness(site, history, finding, last) or daily_ratio(conn, site, finding, last))
    return [proof for proof in proofs if proof is not None]


def telling_day(
    conn: Connection, fleet: Fleet, site: Site, finding: Finding, first: date, last: date
) -> tuple[Proof, str] | None:
    """A telling day of the trouble within a period: the unit beside the others of its kind, or what was expected."""
    unit = _shown_unit(site, finding)
    kind = "module" if finding.subject.startswith("module:") else unit.partition(":")[0]
    if kind not in ("string", "inverter", "module"):
        return None
    rows = read_daily(
        conn, site=site.id, subject=unit, first=max(finding.since, first), last=min(finding.last_seen, last)
    )
    known = [r for r in rows if r.expected_kwh is not None and r.measured_kwh is not None]
    if not known:
        return None
    day = _most_telling(known, by_light=kind != "inverter" or finding.cause in _BY_LIGHT).day
    begin, end = local_day(day, site.zone)
    starts = np.arange(begin, end, STEP_S, dtype=np.int64)
    utc = utc_days(site, day, day)
    measured = measure(site, load_tables(conn, site=site.id, first_day=utc[0], last_day=utc[1]), starts)
    clock = (datetime.fromtimestamp(int(at), site.zone) for at in starts)
    hours = [at.hour + at.minute / 60.0 for at in clock]
    words = subject_in_words(site, finding.subject if kind == "module" else unit)
    if kind == "module":
        data = _modules_of(measured, site, finding.subject, day, hours)
    else:
        data = _unit_of(conn, fleet, site, measured, unit, finding.cause == "grid_voltage_trip", day, hours)
    if data is None:
        return None
    beside = "the others" if data.others else "what was expected"
    return data, f"{words[:1].upper()}{words[1:]} on {day_words(day)}, a telling day, beside {beside}."


def by_witness(site: Site, history: SiteHistory, finding: Finding, last: date) -> tuple[Proof, str] | None:
    """The trait that a slow or small loss was told by, day by day, over its own middle before; None without one."""
    trait = finding.evidence.get("trait")
    subjects = (finding.subject, _shown_unit(site, finding))
    found = (history.series(subject, str(trait)) for subject in subjects)
    ordinals, values = next((series for series in found if series[0].size), (None, None))
    if ordinals is None or values is None:
        return None
    first = finding.since - timedelta(days=_BEFORE_DAYS)
    end = max(min(last, finding.last_seen, finding.since + timedelta(days=_AFTER_DAYS)), finding.since)
    told = {date.fromordinal(int(o)): float(v) for o, v in zip(ordinals, values, strict=True)}
    days = [first + timedelta(days=n) for n in range((end - first).days + 1)]
    before = np.array([told[d] for d in days if d < finding.since and d in told])
    since = np.array([told[d] for d in days if d >= finding.since and d in told])
    if before.size < _LEAST_DAYS or not since.size:
        return None
    middle = float(np.median(before))
    low, high = (float(np.exp(q - middle)) for q in np.quantile(before, [0.1, 0.9]))
    name = WITNESS_OF_MODULES if finding.subject.startswith("module:") else WITNESSES.get(str(trait), "")
    data = DailyRatio(
        of=finding.subject, days=days, ratio=[float(np.exp(told[d] - middle)) if d in told else np.nan for d in days],
        low=[low] * len(days), high=[high] * len(days), since=finding.since, until=finding.last_seen,
        held_against=f"its level before, by {name}", asks_for_action=finding.level in ("urgent", "visit"),
    )  # fmt: skip
    words = subject_in_words(site, finding.subject)
    level = share(float(np.exp(np.median(since) - middle)))
    return data, (
        f"{words[:1].upper()}{words[1:]} day by day beside {name}, over its middle before: at {level} since "
        f"{day_words(finding.since)}."
    )


def daily_ratio(conn: Connection, site: Site, finding: Finding, last: date) -> tuple[Proof, str] | None:
    """Measured over expected around the day since when."""
    unit = _shown_unit(site, finding)
    first = finding.since - timedelta(days=_BEFORE_DAYS)
    end = min(last, finding.last_seen, finding.since + timedelta(days=_AFTER_DAYS))
    rows = read_daily(conn, site=site.id, subject=unit, first=first, last=max(end, finding.since))
    by_day = {r.day: r for r in rows}
    days = [first + timedelta(days=n) for n in range((max(end, finding.since) - first).days + 1)]
    nothing = (np.nan, np.nan, np.nan)
    figures = [_ratio(by_day[day]) if day in by_day else nothing for day in days]
    ratio, low, high = (tuple(column) for column in zip(*figures, strict=True))
    if not np.isfinite(ratio).any():
        return None
    data = DailyRatio(
        of=unit, days=days, ratio=ratio, low=low, high=high, since=finding.since, until=finding.last_seen,
        held_against="what was expected", asks_for_action=finding.level in ("urgent", "visit"),
    )  # fmt: skip
    after = [r for r, day in zip(ratio, days, strict=True) if day >= finding.since and np.isfinite(r)]
    level = f", in the middle {share(float(np.median(after)))} of what was expected since then" if after else ""
    words = subject_in_words(site, unit)
    return data, f"{words[:1].upper()}{words[1:]} day by day around {day_words(finding.since)}{level}."


def _ratio(row: DailyRow) -> tuple[float, float, float]:
    if row.measured_kwh is None or not row.expected_kwh or row.usable < _WHOLE_DAY:
        return (np.nan, np.nan, np.nan)
    low, high = (x if x is not None else np.nan for x in (row.expected_low_kwh, row.expected_high_kwh))
    return row.measured_kwh / row.expected_kwh, low / row.expected_kwh, high / row.expected_kwh


def _shown_unit(site: Site, finding: Finding) -> str:
    """The unit whose energy shows a trouble: of a module its string, of shade the inverter.

    Strings of one plane lose the sun together, so that none of them looks worse than the others. A string that nobody
    measures shows at its inverter, too, and a limit of the site at its largest inverter.
    """
    kind, _, name = finding.subject.partition(":")
    string = name.partition("/")[0]
    if finding.subject == "site" and finding.cause in _LIMITS:
        return f"inverter:{max(site.inverter, key=lambda i: i.rated_ac_w).id}"
    if kind not in ("string", "module"):
        return finding.subject
    if finding.cause == "shading_growth" or f"string:{string}" not in measurable(site):
        return next(f"inverter:{s.inverter}" for s in site.string if s.id == string)
    return f"string:{string}"


def _most_telling(rows: Sequence[DailyRow], *, by_light: bool) -> DailyRow:
    """The brightest day, or the one that lacks most; of those that were heard as a whole where there are any."""
    whole = [r for r in rows if r.usable >= _WHOLE_DAY] or list(rows)
    if by_light:
        return max(whole, key=lambda r: (r.expected_kwh or 0.0, r.day))
    return max(whole, key=lambda r: ((r.expected_kwh or 0.0) - (r.measured_kwh or 0.0), r.day))


def _unit_of(
    conn: Connection, fleet: Fleet, site: Site, measured: Measured, subject: str, with_volts: bool, day: date,
    hours: Sequence[float],
) -> TellingDay | None:  # fmt: skip
    name = subject.partition(":")[2]
    if subject.startswith("string:"):
        own = next(s for s in site.string if s.id == name)
        like = [s.id for s in site.string if s.id != name and s.plane == own.plane]
        if (subject, "dc_current") in measured.recorded:
            pairs = [(s, measured.recorded[f"string:{s}", "dc_current"].on_grid()) for s in like
                     if (f"string:{s}", "dc_current") in measured.recorded]  # fmt: skip
            if pairs:
                return TellingDay(
                    day=day, measure="A", hours=hours, own_label=f"string {name}",
                    own=measured.recorded[subject, "dc_current"].on_grid().tolist(),
                    others=tuple((f"string {s}", values.tolist()) for s, values in pairs),
                )  # fmt: skip
    power = measured_power(site, measured, subject)
    if power is None:
        return None
    others: list[tuple[str, list[float]]] = []
    if subject.startswith("string:"):
        for s in like:
            other = measured_power(site, measured, f"string:{s}")
            if other is not None:
                by_rating = own.rated_w / next(x for x in site.string if x.id == s).rated_w
                label = f"string {s}" if by_rating == 1.0 else f"string {s}, by its rating"
                others.append((label, (other * by_rating / 1000.0).tolist()))
    volts = measured.recorded.get((subject, "ac_voltage")) if with_volts else None
    return TellingDay(
        day=day, measure="kW", hours=hours, own_label=subject.replace(":", " "), own=(power / 1000.0).tolist(),
        others=tuple(others), expected=_expected_kw(conn, fleet, site, subject, day, len(hours)),
        volts=None if volts is None else volts.on_grid().tolist(),
    )  # fmt: skip


def _expected_kw(conn: Connection, fleet: Fleet, site: Site, subject: str, day: date, size: int) -> list[float] | None:
    table: pd.DataFrame = interval_yields(conn, fleet, site, day, day)
    kwh = table.loc[table["subject"] == subject, "expected_kwh"].to_numpy(dtype=float)
    return (kwh * 3600.0 / STEP_S).tolist() if kwh.size == size else None


def _modules_of(measured: Measured, site: Site, subject: str, day: date, hours: Sequence[float]) -> TellingDay | None:
    string = subject.removeprefix("module:").partition("/")[0]
    powers = {m: w for m, w in measured.modules_w.items() if m.startswith(f"module:{string}/")}
    if subject not in powers:
        return None
    others = tuple((m.replace(":", " "), powers[m].tolist()) for m in sorted(powers) if m != subject)
    return TellingDay(
        day=day, measure="W", hours=hours, own_label=subject.replace(":", " "), own=powers[subject].tolist(),
        others=others,
    )  # fmt: skip


def _sky(site: Site, history: SiteHistory, finding: Finding) -> tuple[Proof, str] | None:
    kind, _, name = finding.subject.partition(":")
    strings = [s for s in site.string if (s.inverter if kind == "inverter" else s.id) == name.partition("/")[0]]
    sky = history.skies.get(finding.subject) or next(
        (history.skies[f"string:{s.id}"] for s in strings if f"string:{s.id}" in history.skies), None
    )
    seen = finding.evidence
    if sky is None or not {"azimuth_deg", "elevation_deg"} <= seen.keys():
        return None
    offsets = [datetime(finding.since.year, month, 1, tzinfo=site.zone).utcoffset() for month in (1, 7)]
    offset_h = min(o.total_seconds() for o in offsets if o is not None) / 3600.0
    view = SunView(
        latitude=site.site.latitude, longitude=site.site.longitude, utc_offset_h=offset_h, sky_map=sky.sky_map,
        facing_deg=tuple(dict.fromkeys(site.plane_of(s).azimuth_deg for s in strings)),
    )  # fmt: skip
    begin, end = (seen.get(key, seen["azimuth_deg"] + off) for key, off in
                  (("azimuth_from_deg", -5.0), ("azimuth_to_deg", 5.0)))  # fmt: skip
    data = NewShade(
        view=view, from_deg=begin, to_deg=end, top_deg=seen["elevation_deg"],
        asks_for_action=finding.level in ("urgent", "visit"),
    )  # fmt: skip
    return data, (
        f"The sun's paths, what stood before them when the roof was new, and what is new: to the "
        f"{compass(seen['azimuth_deg'])}, from azimuth {begin:.0f} to {end:.0f}, up to "
        f"{seen['elevation_deg']:.0f} degrees."
    )


def _registers(conn: Connection, site: Site, finding: Finding, first: date, last: date) -> tuple[Proof, str] | None:
    meters = [m for m in site.meter if m.role == "generation" and m.inverter is not None]
    meter = next((m for m in meters if finding.subject in (f"meter:{m.id}", f"inverter:{m.inverter}")), None)
    if meter is None:
        return None
    begin = min(first, finding.since - timedelta(days=_BEFORE_DAYS))
    kwh = {
        subject: {r.day: r.measured_kwh for r in read_daily(conn, site=site.id, subject=subject, first=begin, last=last)
                  if r.measured_kwh is not None}
        for subject in (f"meter:{meter.id}", f"inverter:{meter.inverter}")
    }  # fmt: skip
    shown, own = kwh.values()
    days = sorted(shown.keys() & own.keys())
    if not days:
        return None
    data = TwoRegisters(
        days=days, meter_label=f"meter {meter.id}", meter_kwh=[shown[d] for d in days],
        inverter_label=f"inverter {meter.inverter}", inverter_kwh=[own[d] for d in days], since=finding.since,
    )  # fmt: skip
    since = [d for d in days if finding.since <= d <= finding.last_seen]
    ratio = sum(shown[d] for d in since) / max(sum(own[d] for d in since), 1e-9) if since else float("nan")
    told = f" since {day_words(finding.since)} it shows {share(ratio)} of it" if since else ""
    return data, f"Meter {meter.id} beside inverter {meter.inverter}, day by day;{told}."
