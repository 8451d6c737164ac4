"""Findings beside the truth of an invented fleet: rows for `tests.benchmarks.detection`, and figures over many rows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np

from monitor.demo import FleetTruth, Trouble
from monitor.detect.finding import Finding

# What is raised so long after a trouble's end no longer tells of it.
LATE = timedelta(days=45)
# A day is usable when the roof could have made this share of what it makes on its best days.
USABLE_SHARE = 0.15
# What cost less has no loss to be right about; what is less in a year is no note that anybody misses.
LEAST_KWH, LEAST_NOTE_KWH, LEAST_NOTE_DAYS = 5.0, 20.0, 3
ACTS = ("visit", "urgent")


@dataclass(frozen=True)
class Told:
    """A trouble (or a note) and the finding that tells of it, if there is one."""

    seed: int
    site: str
    kind: str
    cause: str
    subject: str
    first_day: str
    last_day: str | None
    lost_kwh: float
    note: bool
    found: bool
    others: list[str]  # causes of other findings at the same home and time
    finding: dict[str, Any] | None = None
    delay_usable_days: int | None = None
    since_error_days: int | None = None
    azimuth_error_deg: float | None = None
    elevation_error_deg: float | None = None


@dataclass(frozen=True)
class Said:
    """A finding: right, a double (right, but not the first), a misnomer (something else is wrong), or false."""

    seed: int
    site: str
    cause: str
    subject: str
    level: str
    confidence: float
    raised: str
    verdict: str
    healthy_home: bool
    summary: str


@dataclass(frozen=True)
class Score:
    """All that is known of one fleet."""

    seed: int
    site_years: float
    healthy_site_years: float
    failed: list[str]
    told: list[Told] = field(default_factory=list)
    said: list[Said] = field(default_factory=list)


def meets(finding: Finding, trouble: Trouble) -> bool:
    """Whether a finding falls into a trouble's time at its home."""
    ended = trouble.last_day + LATE if trouble.last_day is not None else date.max
    return finding.site == trouble.site and finding.last_seen >= trouble.first_day and (
        trouble.first_day <= finding.raised <= ended
    )  # fmt: skip


def tells_of(finding: Finding, trouble: Trouble) -> bool:
    """Whether a finding names a trouble: its cause, on a subject that shows it, in its time."""
    return finding.cause == trouble.cause and finding.subject in (trouble.subject, *trouble.also) and (
        meets(finding, trouble)
    )  # fmt: skip


def score(seed: int, truth: FleetTruth, first_day: date, findings: Sequence[Finding], report: Any) -> Score:
    """Set every trouble beside the findings, and every finding beside the troubles."""
    homes = len(truth.healthy_kwh)
    years = report.site_nights / 365.25
    healthy = homes - len({t.site for t in truth.troubles})
    done = Score(seed, years, years * healthy / homes, list(report.failed))
    ordered = sorted(findings, key=lambda f: (f.raised, f.subject))
    for trouble in truth.troubles:
        done.told.append(_told(seed, trouble, truth, first_day, ordered, note=False))
    for note in truth.notes:
        if note.lost_kwh >= LEAST_NOTE_KWH and len(note.lost_by_day) >= LEAST_NOTE_DAYS:
            done.told.append(_told(seed, note, truth, first_day, ordered, note=True))
    seen: set[int] = set()
    for finding in ordered:
        done.said.append(_said(seed, finding, truth, seen))
    return done


def _told(
    seed: int, trouble: Trouble, truth: FleetTruth, first_day: date, findings: Iterable[Finding], *, note: bool
) -> Told:
    near = [f for f in findings if f.site == trouble.site and (note or meets(f, trouble))]
    # What is normal has no beginning that could be told.
    hits = [f for f in near if (f.cause == trouble.cause if note else tells_of(f, trouble))]
    others = [] if note else sorted({f.cause for f in near if f not in hits and f.level != "note"})
    row = Told(
        seed, trouble.site, trouble.kind or trouble.cause, trouble.cause, trouble.subject,
        trouble.first_day.isoformat(), trouble.last_day.isoformat() if trouble.last_day else None,
        round(trouble.lost_kwh, 2), note, bool(hits), others,
    )  # fmt: skip
    if not hits:
        return row
    first = hits[0]
    top = {k: first.evidence.get(k) for k in ("azimuth_deg", "elevation_deg")}
    return Told(
        **{
            **asdict(row),
            "finding": _plain(first, sum(f.lost_kwh for f in hits)),
            "delay_usable_days": None if note else _usable_days(trouble, truth, first_day, first.raised),
            "since_error_days": None if note else (first.since - trouble.first_day).days,
            "azimuth_error_deg": _off(top["azimuth_deg"], trouble.azimuth_deg),
            "elevation_error_deg": _off(top["elevation_deg"], trouble.elevation_deg),
        }
    )


def _plain(finding: Finding, lost_kwh: float) -> dict[str, Any]:
    fields = ("subject", "level", "state", "confidence", "lost_kwh_low", "lost_kwh_high")
    days = ("since", "raised", "cleared", "last_seen")
    return {
        **{k: getattr(finding, k) for k in fields},
        **{k: None if getattr(finding, k) is None else getattr(finding, k).isoformat() for k in days},
        "lost_kwh": lost_kwh,
    }


def _usable_days(trouble: Trouble, truth: FleetTruth, first_day: date, raised: date) -> int:
    """Bright enough days before the one whose night raised it, from the first day on which it showed."""
    kwh = np.array(truth.healthy_kwh[trouble.site])
    usable = kwh >= USABLE_SHARE * np.quantile(kwh, 0.95)
    return int(usable[(trouble.first_felt - first_day).days : (raised - first_day).days].sum())


def _off(told: Any, true: float | None) -> float | None:
    return None if true is None or told is None else round(float(told) - true, 1)


def _said(seed: int, finding: Finding, truth: FleetTruth, seen: set[int]) -> Said:
    right = [n for n, t in enumerate(truth.troubles) if tells_of(finding, t)]
    if right:
        verdict = "double" if right[0] in seen else "right"
        seen.add(right[0])
    elif any((n.site, n.cause) == (finding.site, finding.cause) for n in truth.notes):
        verdict = "right"
    else:
        verdict = "misnomer" if any(meets(finding, t) for t in truth.troubles) else "false"
    return Said(
        seed, finding.site, finding.cause, finding.subject, finding.level, finding.confidence,
        finding.raised.isoformat(), verdict, all(t.site != finding.site for t in truth.troubles), finding.summary,
    )  # fmt: skip


def lines(scores: Sequence[Score]) -> list[str]:
    """The tables: by trouble, what is called what, and what was said in vain."""
    told = [t for s in scores for t in s.told]
    faults, notes = [t for t in told if not t.note], [t for t in told if t.note]
    said = [f for s in scores for f in s.said]
    return [
        *_by_kind(faults, "cause", lambda t: f"{t.cause}: {t.kind}", said),
        "",
        *_by_kind(faults, "all of a cause", lambda t: t.cause, said),
        "",
        *_by_kind(notes, "normal, worth a note", lambda t: t.cause, said),
        "",
        *_confusion(faults),
        "",
        *_in_vain(scores, said),
        *_calibration(said),
    ]


def _by_kind(rows: Sequence[Told], head: str, name: Callable[[Told], str], said: Sequence[Said]) -> list[str]:
    groups: dict[str, list[Told]] = defaultdict(list)
    for row in rows:
        groups[name(row)].append(row)
    out = [f"{head:44} found  delay  (worst)  since+-  lost: said/true  true in range  double"]
    doubles = Counter(f.cause for f in said if f.verdict == "double")
    for key in sorted(groups):
        mine = groups[key]
        hits = [t for t in mine if t.found and t.finding is not None]
        delays = [t.delay_usable_days for t in hits if t.delay_usable_days is not None]
        since = [abs(t.since_error_days) for t in hits if t.since_error_days is not None]
        costly = [(t, t.finding) for t in hits if t.finding is not None and t.lost_kwh >= LEAST_KWH]
        true = sum(t.lost_kwh for t, _ in costly)
        ratio = f"{sum(f['lost_kwh'] for _, f in costly) / true:.2f}" if costly else "-"
        inside = sum(f["lost_kwh_low"] <= t.lost_kwh <= f["lost_kwh_high"] for t, f in costly)
        out.append(
            f"{key:44} {len(hits):2}/{len(mine):<2}  {_median(delays):>5}  {max(delays, default='-'):>7}  "
            f"{_median(since):>7}  {ratio:>15}  {f'{inside}/{len(costly)}' if costly else '-':>13}  "
            f"{doubles.get(key, 0) or '':>6}"
        )
    tops = [t for t in rows if t.elevation_error_deg is not None and t.azimuth_error_deg is not None]
    if tops:
        errors = [(abs(t.azimuth_error_deg or 0.0), abs(t.elevation_error_deg or 0.0)) for t in tops]
        azimuth, elevation = np.median(np.array(errors), axis=0)
        out.append(f"top of what shades: {azimuth:.0f} degrees off in azimuth, {elevation:.1f} in elevation (medians)")
    return out


def _median(values: Sequence[int]) -> str:
    return f"{np.median(values):.0f}" if values else "-"


def _confusion(rows: Sequence[Told]) -> list[str]:
    """What the findings at a home said while something else was wrong with it."""
    called: dict[str, Counter[str]] = defaultdict(Counter)
    for row in rows:
        called[row.cause].update([row.cause] if row.found else [])
        called[row.cause].update(row.others)
        called[row.cause].update(["nothing"] if not row.found and not row.others else [])
    return [
        "what was wrong: what was said of that home meanwhile",
        *(f"{cause:24} {', '.join(f'{n} x {c}' for c, n in called[cause].most_common())}" for cause in sorted(called)),
    ]


def _in_vain(scores: Sequence[Score], said: Sequence[Said]) -> list[str]:
    years, healthy = sum(s.site_years for s in scores), sum(s.healthy_site_years for s in scores)
    grave = [f for f in said if f.level in ACTS]
    false = [f for f in grave if f.verdict == "false"]
    quiet = [f for f in false if f.healthy_home]
    watch = [f for f in said if f.level == "watch" and f.verdict == "false"]
    per_cause = ", ".join(f"{n} x {c}" for c, n in Counter(f.cause for f in false).most_common()) or "none"
    return [
        f"false visit or urgent: {len(false)} in {years:.0f} site-years ({len(false) / years:.3f} a year): {per_cause}",
        f"  of them on healthy homes {len(quiet)} in {healthy:.0f} ({len(quiet) / healthy:.3f})",
        f"misnomers: {sum(f.verdict == 'misnomer' for f in grave)}; "
        f"doubles: {sum(f.verdict == 'double' for f in grave)}; false watch: {len(watch)}",
    ]


def _calibration(said: Sequence[Said]) -> list[str]:
    """Brier score of the stated confidence in faults, and by band what was stated beside what came true."""
    faults = [f for f in said if f.level != "note"]
    if not faults:
        return ["no finding, so no calibration"]
    stated = np.array([f.confidence for f in faults])
    true = np.array([f.verdict in ("right", "double") for f in faults], dtype=float)
    out = [f"Brier score of {len(faults)} stated confidences: {np.mean((stated - true) ** 2):.3f}"]
    edges = (0.0, 0.6, 0.8, 0.9, 0.97, 1.01)
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = (stated >= low) & (stated < high)
        if inside.any():
            out.append(
                f"  stated {stated[inside].mean():.2f}: true of {int(true[inside].sum())} of {int(inside.sum())}"
            )
    return out
